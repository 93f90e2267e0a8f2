// Which tiles are there, which are on their way, which must go: textures of one drawing context.

import type { Cog } from './cog';
import { upload } from './gl';
import type { Layer } from './plate';

const MOST_IN_FLIGHT = 8;
const BUDGET_BYTES = 384 * 1024 * 1024;

export interface Source {
  layer: Layer;
  cog: Cog;
}

export interface Wanted {
  source: Source;
  level: number;
  column: number;
  row: number;
}

interface Held {
  texture: WebGLTexture;
  bytes: number;
}

/** Loads what the last picture asked for, nearest first; drops what was used longest ago. */
export class Tiles {
  private held = new Map<string, Held>(); // in the order of last use
  private onTheWay = new Map<string, AbortController>();
  private failed = new Map<string, number>();
  private bytes = 0;

  constructor(
    private readonly gl: WebGL2RenderingContext,
    private readonly arrived: () => void,
    private readonly trouble: (words: string) => void,
  ) {}

  texture(wanted: Wanted): WebGLTexture | null {
    const key = keyOf(wanted);
    const held = this.held.get(key);
    if (!held) return null;
    this.held.delete(key);
    this.held.set(key, held);
    return held.texture;
  }

  /** Ask for tiles, the most urgent first; whatever else is on its way is called back. */
  ask(wanted: Wanted[]): number {
    const missing = wanted.filter((each) => !this.held.has(keyOf(each)) && (this.failed.get(keyOf(each)) ?? 0) < 3);
    const still = new Set(missing.map(keyOf));
    for (const [key, abort] of this.onTheWay) {
      if (!still.has(key)) {
        abort.abort();
        this.onTheWay.delete(key);
      }
    }
    for (const each of missing) {
      if (this.onTheWay.size >= MOST_IN_FLIGHT) break;
      if (!this.onTheWay.has(keyOf(each))) void this.fetch(each);
    }
    return missing.length;
  }

  /** Forget every texture: the drawing context was lost, or the pane is closed. */
  clear(): void {
    for (const abort of this.onTheWay.values()) abort.abort();
    for (const { texture } of this.held.values()) this.gl.deleteTexture(texture);
    this.held.clear();
    this.onTheWay.clear();
    this.failed.clear();
    this.bytes = 0;
  }

  private async fetch(wanted: Wanted): Promise<void> {
    const key = keyOf(wanted);
    const abort = new AbortController();
    this.onTheWay.set(key, abort);
    try {
      const data = await wanted.source.cog.tile(wanted.level, wanted.column, wanted.row, abort.signal);
      if (abort.signal.aborted || this.gl.isContextLost()) return;
      this.hold(key, { texture: upload(this.gl, wanted.source.layer, data), bytes: data.byteLength });
    } catch (error) {
      if (abort.signal.aborted) return;
      this.failed.set(key, (this.failed.get(key) ?? 0) + 1);
      this.trouble(`${wanted.source.layer.file}: ${String(error)}`);
    } finally {
      if (this.onTheWay.get(key) === abort) this.onTheWay.delete(key);
      if (!abort.signal.aborted) this.arrived();
    }
  }

  private hold(key: string, tile: Held): void {
    this.held.set(key, tile);
    this.bytes += tile.bytes;
    for (const [old, { texture, bytes }] of this.held) {
      if (this.bytes <= BUDGET_BYTES || old === key) break;
      this.gl.deleteTexture(texture);
      this.held.delete(old);
      this.bytes -= bytes;
    }
  }
}

function keyOf({ source, level, column, row }: Wanted): string {
  return `${source.layer.file}|${level}|${column}|${row}`;
}
