// A cross-section drawn: height over distance, the band of twice its uncertainty, the shoulders and the half depth.

import { svg } from '../dom';
import { words } from '../words';
import type { Section } from './section';

const WIDTH = 360;
const HEIGHT = 190;
const LEFT = 46;
const BOTTOM = 34;
const TOP = 8;

export function sectionChart(section: Section): SVGElement {
  const { distance_mm, height_um, u_um, shoulders_um, half_mm } = section;
  const known = Array.from(height_um.keys()).filter((index) => Number.isFinite(height_um[index]));
  const chart = svg('svg', { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, class: 'chart', role: 'img', 'aria-label': words.measure.chart });
  if (known.length < 2) return chart;
  const band = (index: number) => (Number.isFinite(u_um[index]) ? 2 * u_um[index] : 0);
  const low = Math.min(...known.map((index) => height_um[index] - band(index)));
  const high = Math.max(...known.map((index) => height_um[index] + band(index)));
  const length = distance_mm[distance_mm.length - 1];
  const x = (mm: number) => LEFT + (mm / length) * (WIDTH - LEFT - 8);
  const y = (um: number) => TOP + ((high - um) / (high - low || 1)) * (HEIGHT - TOP - BOTTOM);
  for (const um of ticks(low, high)) {
    chart.append(
      svg('line', { class: 'grid', x1: LEFT, x2: WIDTH - 8, y1: y(um), y2: y(um) }),
      svg('text', { class: 'tick', x: LEFT - 5, y: y(um), dy: '0.32em', 'text-anchor': 'end' }, short(um)),
    );
  }
  for (const mm of ticks(0, length)) {
    chart.append(svg('text', { class: 'tick', x: x(mm), y: HEIGHT - BOTTOM + 14, 'text-anchor': 'middle' }, short(mm)));
  }
  const upper = known.map((index) => `${x(distance_mm[index])},${y(height_um[index] + band(index))}`);
  const lower = known.map((index) => `${x(distance_mm[index])},${y(height_um[index] - band(index))}`).reverse();
  chart.append(svg('polygon', { class: 'band', points: [...upper, ...lower].join(' ') }));
  const line = known.map((index) => `${x(distance_mm[index])},${y(height_um[index])}`).join(' ');
  chart.append(svg('polyline', { class: 'height', points: line }));
  if (shoulders_um) {
    chart.append(svg('line', { class: 'shoulders', x1: x(0), y1: y(shoulders_um[0]), x2: x(length), y2: y(shoulders_um[1]) }));
  }
  if (half_mm) {
    for (const mm of half_mm) chart.append(svg('line', { class: 'half', x1: x(mm), x2: x(mm), y1: TOP, y2: HEIGHT - BOTTOM }));
  }
  chart.append(
    svg('text', { class: 'axis', x: WIDTH - 8, y: HEIGHT - 4, 'text-anchor': 'end' }, words.measure.alongAxis),
    svg('text', { class: 'axis', x: 2, y: HEIGHT - 4 }, words.measure.heightAxis),
  );
  return chart;
}

function ticks(low: number, high: number): number[] {
  const rough = (high - low) / 4 || 1;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((factor) => factor * power).find((size) => size >= rough)!;
  const found: number[] = [];
  for (let at = Math.ceil(low / step) * step; at <= high + 1e-9 * step; at += step) found.push(at);
  return found;
}

function short(value: number): string {
  return Number(value.toPrecision(6)).toString().replace('-', '−');
}
