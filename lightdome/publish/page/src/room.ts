// The lamps of the room: where they are wanted, and where they are shown on the way there.
//
// A lamp that jumps or sweeps makes highlights flash.  WCAG 2.3.1 allows three flashes (pairs of opposing changes) in a
// second: the lamps shown follow those wanted at a limited speed, and a jump is made at most every JUMP_PAUSE_MS.

import { turn, turnBetween, type Lamp, type Light } from './light';

const TURN_DEG_PER_S = 120;
const RISE_DEG_PER_S = 60;
const STOPS_PER_S = 2;
const JUMP_PAUSE_MS = 400;
const JUMP_DEG = 20;
const REVERSAL_PAUSE_MS = 200;

export class Room {
  readonly wanted: Light;
  shown: Light;
  private readonly listeners = new Set<() => void>();
  private moving = false;
  private lastFrame_ms = 0;
  private lastJump_ms = -JUMP_PAUSE_MS;
  private readonly ways = new Map<string, { sign: number; since_ms: number }>();

  constructor(first: Light) {
    this.wanted = structuredClone(first);
    this.shown = structuredClone(first);
  }

  /** Called whenever the shown or the wanted lamps have changed, until the function given back is called. */
  watch(listener: () => void): () => void {
    this.listeners.add(listener);
    return () => this.listeners.delete(listener);
  }

  change(how: (light: Light) => void): void {
    how(this.wanted);
    this.wanted.lamp.azimuth_deg = turn(this.wanted.lamp.azimuth_deg);
    this.wanted.fill.azimuth_deg = turn(this.wanted.fill.azimuth_deg);
    this.tell();
    if (!this.moving) {
      this.moving = true;
      this.lastFrame_ms = performance.now();
      this.follow(this.lastFrame_ms);
    }
  }

  private follow(now_ms: number): void {
    const seconds = Math.min(0.1, Math.max(0.016, (now_ms - this.lastFrame_ms) / 1000));
    this.lastFrame_ms = now_ms;
    const before = JSON.stringify(this.shown);
    this.step(now_ms, seconds);
    if (JSON.stringify(this.shown) !== before) this.tell();
    this.moving = JSON.stringify(this.shown) !== JSON.stringify(this.wanted);
    if (this.moving) requestAnimationFrame((time) => this.follow(time));
  }

  private step(now_ms: number, seconds: number): void {
    const { shown, wanted } = this;
    const far =
      Math.abs(turnBetween(shown.lamp.azimuth_deg, wanted.lamp.azimuth_deg)) > JUMP_DEG ||
      Math.abs(wanted.lamp.elevation_deg - shown.lamp.elevation_deg) > JUMP_DEG ||
      shown.fill.on !== wanted.fill.on ||
      shown.near !== wanted.near;
    if (far && now_ms - this.lastJump_ms >= JUMP_PAUSE_MS) {
      this.lastJump_ms = now_ms;
      this.shown = structuredClone(wanted);
      return;
    }
    const next = structuredClone(shown);
    this.lampToward('main', next.lamp, wanted.lamp, seconds, now_ms);
    this.lampToward('fill', next.fill, wanted.fill, seconds, now_ms);
    next.stops += this.held('stops', wanted.stops - shown.stops, STOPS_PER_S * seconds, now_ms);
    next.fill.strength += this.held('strength', wanted.fill.strength - shown.fill.strength, seconds, now_ms);
    next.relief_strength = wanted.relief_strength;
    this.shown = next;
  }

  private lampToward(name: string, lamp: Lamp, wanted: Lamp, seconds: number, now_ms: number): void {
    const way = turnBetween(lamp.azimuth_deg, wanted.azimuth_deg);
    const turned = this.held(`${name} azimuth`, way, TURN_DEG_PER_S * seconds, now_ms);
    lamp.azimuth_deg = turned === way ? wanted.azimuth_deg : turn(lamp.azimuth_deg + turned);
    const rise = wanted.elevation_deg - lamp.elevation_deg;
    const risen = this.held(`${name} elevation`, rise, RISE_DEG_PER_S * seconds, now_ms);
    lamp.elevation_deg = risen === rise ? wanted.elevation_deg : lamp.elevation_deg + risen;
  }

  /** A step no longer than `most`, and none just after the way has turned about. */
  private held(name: string, way: number, most: number, now_ms: number): number {
    const sign = Math.sign(way);
    if (sign === 0) return 0;
    const last = this.ways.get(name);
    if (!last || last.sign !== sign) {
      if (last && now_ms - last.since_ms < REVERSAL_PAUSE_MS) return 0;
      this.ways.set(name, { sign, since_ms: now_ms });
    }
    return Math.abs(way) <= most ? way : sign * most;
  }

  private tell(): void {
    for (const listener of this.listeners) listener();
  }
}
