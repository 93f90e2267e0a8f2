// Named lamp positions of a plate, kept in this browser.

import type { Plate, UsedLamp } from './plate';

function shelf(plate: Plate): string {
  return `lightdome lamps ${plate.session}/${plate.plate}`;
}

export function keptLamps(plate: Plate): UsedLamp[] {
  try {
    const kept: unknown = JSON.parse(localStorage.getItem(shelf(plate)) ?? '[]');
    return Array.isArray(kept) ? (kept as UsedLamp[]).filter(isLamp) : [];
  } catch {
    return []; // storage is switched off, or holds something else
  }
}

export function keepLamps(plate: Plate, lamps: UsedLamp[]): void {
  try {
    localStorage.setItem(shelf(plate), JSON.stringify(lamps));
  } catch {
    // nothing is kept where storage is switched off
  }
}

function isLamp(lamp: UsedLamp): boolean {
  return typeof lamp?.name === 'string' && Number.isFinite(lamp.azimuth_deg) && Number.isFinite(lamp.elevation_deg);
}
