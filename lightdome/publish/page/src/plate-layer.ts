// The picture of a field: tiles shaded by WebGL2 inside the map.

import type { FrameState } from 'ol/Map';
import MapLayer from 'ol/layer/Layer';
import { compile, setUniforms, uploadTable, type Program, type Uniforms } from './gl';
import { extentOf } from './frame';
import type { Field } from './plate';
import { words } from './words';
import { Tiles, type Source, type Wanted } from './tiles';

/** What to draw: a program, its tiles by the name of their sampler, its numbers. */
export interface Picture {
  field: Field;
  fragment: string;
  tiles: { sampler: string; source: Source }[];
  uniforms: Uniforms;
  /** Small tables by the name of their sampler. */
  tables: Record<string, Uint8Array | Float32Array>;
  lamps: 1 | 2;
}

const FINEST_SHARE = 1.15; // texels may be this much larger than screen pixels before a finer level is taken
const MOST_COARSE = 4;
const REST_MS = 250; // after the last change, a picture whose pixels hold more than one texel is drawn with four samples each
const CROWDED = 1.01; // texels along a screen pixel

export class PlateLayer extends MapLayer {
  /** Tiles that the last picture still waits for. */
  missing = Number.POSITIVE_INFINITY;
  /** Kept when a picture was whole for the first time, or when there is none to wait for. */
  readonly firstWhole: Promise<void>;
  private sayWhole!: () => void;
  /** Of each pixel of the last picture. */
  samples: 1 | 4 = 1;
  picture: Picture | null = null;
  readonly canvas = document.createElement('canvas');
  private readonly gl: WebGL2RenderingContext;
  private readonly held: Tiles;
  private programs = new Map<string, Program>();
  private tables = new Map<Uint8Array | Float32Array, WebGLTexture>();
  private square: WebGLBuffer | null = null;
  private rest = 0;
  private resting = false;

  constructor(trouble: (words: string) => void) {
    super({ render: (frame) => this.draw(frame!) });
    this.firstWhole = new Promise((resolve) => (this.sayWhole = resolve));
    const gl = this.canvas.getContext('webgl2', { antialias: false, depth: false, stencil: false });
    if (!gl) throw new Error('webgl2');
    this.gl = gl;
    this.held = new Tiles(gl, () => this.changed(), trouble);
    this.canvas.className = 'picture';
    this.canvas.addEventListener('webglcontextlost', (event) => {
      event.preventDefault();
      this.forget();
      if (!this.disposed) trouble(words.trouble.lost);
    });
    this.canvas.addEventListener('webglcontextrestored', () => this.changed());
  }

  show(picture: Picture | null): void {
    this.picture = picture;
    if (!picture) {
      this.missing = 0;
      this.sayWhole();
    }
    this.changed();
  }

  protected override disposeInternal(): void {
    window.clearTimeout(this.rest);
    this.forget();
    this.gl.getExtension('WEBGL_lose_context')?.loseContext();
    super.disposeInternal();
  }

  private forget(): void {
    this.held.clear();
    this.programs.clear();
    this.tables.clear();
    this.square = null;
  }

  private draw(frame: FrameState): HTMLElement {
    const { gl, canvas, picture } = this;
    const width = Math.round(frame.size[0] * frame.pixelRatio);
    const height = Math.round(frame.size[1] * frame.pixelRatio);
    if (canvas.width !== width || canvas.height !== height) {
      canvas.width = width;
      canvas.height = height;
    }
    if (gl.isContextLost()) return canvas;
    gl.viewport(0, 0, width, height);
    gl.clearColor(0, 0, 0, 0);
    gl.clear(gl.COLOR_BUFFER_BIT);
    if (!picture) return canvas;
    this.samples = this.resting ? 4 : 1;
    const program = this.use(picture);
    const perPixel = frame.viewState.resolution / frame.pixelRatio;
    const [x, y] = frame.viewState.center;
    setUniforms(gl, program, {
      ...picture.uniforms,
      screen_rows: height,
      view_mm: [x, y, (width * perPixel) / 2, (height * perPixel) / 2],
    });
    const grid = new LevelGrid(picture);
    const level = grid.levelFor(perPixel);
    const half = [(width * perPixel) / 2, (height * perPixel) / 2];
    const visible = grid.tilesWithin(level, [x - half[0], y - half[1], x + half[0], y + half[1]], [x, y]);
    for (const tile of visible) this.drawTile(program, picture, grid, tile);
    this.missing = this.held.ask(this.wanted(picture, grid, visible));
    if (this.missing === 0) this.sayWhole();
    if (this.samples === 1 && grid.texelsAlong(level, perPixel) > CROWDED) this.restSoon();
    this.resting = false;
    return canvas;
  }

  /** Draw finer once nothing has changed for a while. */
  private restSoon(): void {
    window.clearTimeout(this.rest);
    this.rest = window.setTimeout(() => {
      this.resting = this.missing === 0;
      if (this.resting) this.changed();
    }, REST_MS);
  }

  private use(picture: Picture): Program {
    const { gl } = this;
    const key = `${this.samples} ${picture.lamps} ${picture.fragment}`;
    let program = this.programs.get(key);
    if (!program) {
      program = compile(gl, picture.fragment, { LAMPS: picture.lamps, SAMPLES: this.samples });
      this.programs.set(key, program);
    }
    gl.useProgram(program.handle);
    if (!this.square) {
      this.square = gl.createBuffer();
      gl.bindBuffer(gl.ARRAY_BUFFER, this.square);
      gl.bufferData(gl.ARRAY_BUFFER, new Float32Array([0, 0, 1, 0, 0, 1, 1, 1]), gl.STATIC_DRAW);
    }
    gl.bindBuffer(gl.ARRAY_BUFFER, this.square);
    gl.enableVertexAttribArray(0);
    gl.vertexAttribPointer(0, 2, gl.FLOAT, false, 0, 0);
    Object.entries(picture.tables).forEach(([sampler, values], index) => {
      const unit = picture.tiles.length + index;
      gl.activeTexture(gl.TEXTURE0 + unit);
      let table = this.tables.get(values);
      if (!table) {
        table = uploadTable(gl, values);
        this.tables.set(values, table);
      }
      gl.bindTexture(gl.TEXTURE_2D, table);
      setUniforms(gl, program, { [sampler]: unit });
    });
    return program;
  }

  /** Draw a tile, or, while it is on its way, the part of a coarser one that lies there. */
  private drawTile(program: Program, picture: Picture, grid: LevelGrid, tile: TileAt): void {
    for (let level = tile.level; level < grid.count; level += 1) {
      const from = level === tile.level ? tile : grid.tileOver(level, tile);
      const textures = picture.tiles.map(({ source }) => this.held.texture({ source, ...from }));
      if (textures.some((texture) => texture === null)) continue;
      const { gl } = this;
      const uniforms: Uniforms = {
        tile_px: grid.tile_px,
        plate_mm: tile.plate_mm,
        texels: grid.texelsOf(from, tile.plate_mm),
        texel_mm: grid.texelPlace(from),
      };
      picture.tiles.forEach(({ sampler }, unit) => {
        gl.activeTexture(gl.TEXTURE0 + unit);
        gl.bindTexture(gl.TEXTURE_2D, textures[unit]);
        uniforms[sampler] = unit;
      });
      setUniforms(gl, program, uniforms);
      gl.drawArrays(gl.TRIANGLE_STRIP, 0, 4);
      return;
    }
  }

  /** The coarsest level first, so that there is always something to show; then what is seen, from the middle out. */
  private wanted(picture: Picture, grid: LevelGrid, visible: TileAt[]): Wanted[] {
    const coarse = grid.tilesWithin(grid.count - 1, extentOf(picture.field), [0, 0]);
    const order = coarse.length <= MOST_COARSE ? [...coarse, ...visible] : visible;
    const seen = new Set<string>();
    const wanted: Wanted[] = [];
    for (const { level, column, row } of order) {
      const key = `${level}|${column}|${row}`;
      if (seen.has(key)) continue;
      seen.add(key);
      for (const { source } of picture.tiles) wanted.push({ source, level, column, row });
    }
    return wanted;
  }
}

interface TileAt {
  level: number;
  column: number;
  row: number;
  /** West, north, east, south; cut at the field's edge. */
  plate_mm: [number, number, number, number];
}

/** Where the tiles of each level lie on the plate. */
class LevelGrid {
  readonly count: number;
  readonly tile_px: number;
  private readonly west: number;
  private readonly north: number;
  private readonly sizes: { across: number; down: number; x_mm: number; y_mm: number }[];

  constructor(picture: Picture) {
    const { cog } = picture.tiles[0].source;
    const [west, south, east, north] = extentOf(picture.field);
    this.west = west;
    this.north = north;
    this.tile_px = cog.tile_px;
    this.count = Math.min(...picture.tiles.map(({ source }) => source.cog.levels.length));
    this.sizes = cog.levels.map(({ width, height }) => ({
      across: width,
      down: height,
      x_mm: (east - west) / width,
      y_mm: (north - south) / height,
    }));
  }

  levelFor(perPixel_mm: number): number {
    let level = 0;
    while (level + 1 < this.count && this.sizes[level + 1].x_mm <= FINEST_SHARE * perPixel_mm) level += 1;
    return level;
  }

  texelsAlong(level: number, perPixel_mm: number): number {
    return perPixel_mm / this.sizes[level].x_mm;
  }

  tilesWithin(level: number, [west, south, east, north]: number[], centre: number[]): TileAt[] {
    const { across, down, x_mm, y_mm } = this.sizes[level];
    const x = this.tile_px * x_mm;
    const y = this.tile_px * y_mm;
    const last = (value: number, count: number) => Math.min(value, Math.ceil(count / this.tile_px) - 1);
    const found: { tile: TileAt; distance: number }[] = [];
    const firstRow = Math.max(0, Math.floor((this.north - north) / y));
    const firstColumn = Math.max(0, Math.floor((west - this.west) / x));
    for (let row = firstRow; row <= last(Math.floor((this.north - south) / y), down); row += 1) {
      for (let column = firstColumn; column <= last(Math.floor((east - this.west) / x), across); column += 1) {
        const tile = this.tileAt(level, column, row);
        const [w, n, e, s] = tile.plate_mm;
        found.push({ tile, distance: Math.hypot((w + e) / 2 - centre[0], (n + s) / 2 - centre[1]) });
      }
    }
    return found.sort((a, b) => a.distance - b.distance).map(({ tile }) => tile);
  }

  /** The tile of a coarser level in which the middle of a finer one lies. */
  tileOver(level: number, { plate_mm: [west, north, east, south] }: TileAt): TileAt {
    const { x_mm, y_mm } = this.sizes[level];
    const column = Math.floor(((west + east) / 2 - this.west) / (this.tile_px * x_mm));
    const row = Math.floor((this.north - (north + south) / 2) / (this.tile_px * y_mm));
    return this.tileAt(level, column, row);
  }

  texelsOf(from: TileAt, [west, north, east, south]: number[]): [number, number, number, number] {
    const { x_mm, y_mm } = this.sizes[from.level];
    const column = (x: number) => (x - this.west) / x_mm - from.column * this.tile_px;
    const row = (y: number) => (this.north - y) / y_mm - from.row * this.tile_px;
    return [column(west), row(north), column(east), row(south)];
  }

  texelPlace(from: TileAt): [number, number, number, number] {
    const { x_mm, y_mm } = this.sizes[from.level];
    const left = this.west + from.column * this.tile_px * x_mm;
    return [left, this.north - from.row * this.tile_px * y_mm, x_mm, y_mm];
  }

  private tileAt(level: number, column: number, row: number): TileAt {
    const { across, down, x_mm, y_mm } = this.sizes[level];
    const x = (texel: number) => this.west + Math.min(texel, across) * x_mm;
    const y = (texel: number) => this.north - Math.min(texel, down) * y_mm;
    const [left, top] = [column * this.tile_px, row * this.tile_px];
    return { level, column, row, plate_mm: [x(left), y(top), x(left + this.tile_px), y(top + this.tile_px)] };
  }
}
