// The little of WebGL2 that the picture needs: programs, uniforms by name, textures of whole tiles.

import vertexSource from './shade/tile.vert.glsl?raw';
import type { Layer } from './plate';

export type UniformValue = number | boolean | ArrayLike<number>;
export type Uniforms = Record<string, UniformValue>;

const FLAT_WIDTH = 2048; // as in common.glsl; every WebGL2 device holds textures of this size

export interface Program {
  handle: WebGLProgram;
  uniforms: Map<string, { place: WebGLUniformLocation; type: number }>;
}

/** A program whose fragment shader begins with a version and the definitions given. */
export function compile(gl: WebGL2RenderingContext, fragment: string, definitions: Record<string, number>): Program {
  const [version, ...rest] = fragment.split('\n');
  const defined = Object.entries(definitions).map(([name, value]) => `#define ${name} ${value}`);
  const fragmentSource = [version, ...defined, ...rest].join('\n');
  const handle = gl.createProgram();
  for (const [kind, source] of [
    [gl.VERTEX_SHADER, vertexSource],
    [gl.FRAGMENT_SHADER, fragmentSource],
  ] as const) {
    const shader = gl.createShader(kind)!;
    gl.shaderSource(shader, source);
    gl.compileShader(shader);
    if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS) && !gl.isContextLost()) {
      throw new Error(gl.getShaderInfoLog(shader) ?? 'shader');
    }
    gl.attachShader(handle, shader);
  }
  gl.bindAttribLocation(handle, 0, 'corner');
  gl.linkProgram(handle);
  if (!gl.getProgramParameter(handle, gl.LINK_STATUS) && !gl.isContextLost()) {
    throw new Error(gl.getProgramInfoLog(handle) ?? 'program');
  }
  const uniforms: Program['uniforms'] = new Map();
  const count = gl.getProgramParameter(handle, gl.ACTIVE_UNIFORMS) as number;
  for (let index = 0; index < count; index += 1) {
    const { name, type } = gl.getActiveUniform(handle, index)!;
    uniforms.set(name.replace('[0]', ''), { place: gl.getUniformLocation(handle, name)!, type });
  }
  return { handle, uniforms };
}

/** Set uniforms of the program in use; names that the program has not are passed over. */
export function setUniforms(gl: WebGL2RenderingContext, program: Program, values: Uniforms): void {
  for (const [name, value] of Object.entries(values)) {
    const known = program.uniforms.get(name);
    if (!known) continue;
    const numbers = typeof value === 'object' ? Array.from(value) : [Number(value)];
    switch (known.type) {
      case gl.FLOAT:
        gl.uniform1fv(known.place, numbers);
        break;
      case gl.FLOAT_VEC2:
        gl.uniform2fv(known.place, numbers);
        break;
      case gl.FLOAT_VEC3:
        gl.uniform3fv(known.place, numbers);
        break;
      case gl.FLOAT_VEC4:
        gl.uniform4fv(known.place, numbers);
        break;
      default: // int, bool, samplers
        gl.uniform1iv(known.place, numbers);
    }
  }
}

/** A tile's numbers as a texture, one after the other as they lie in the file. */
export function upload(gl: WebGL2RenderingContext, layer: Layer, data: ArrayBuffer): WebGLTexture {
  const { internal, format, type, view, perTexel } = textureForm(gl, layer);
  const numbers = view(layer.coding.kind === 'scaled' ? inFours(layer, data) : data);
  const texture = gl.createTexture();
  gl.bindTexture(gl.TEXTURE_2D, texture);
  gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
  const rows = numbers.length / perTexel / FLAT_WIDTH;
  gl.texImage2D(gl.TEXTURE_2D, 0, internal, FLAT_WIDTH, rows, 0, format, type, numbers);
  nearest(gl);
  return texture;
}

/** A table as a texture of one row: colours (n, 4) in bytes, or pairs (n, 2) of floats. */
export function uploadTable(gl: WebGL2RenderingContext, table: Uint8Array | Float32Array): WebGLTexture {
  const texture = gl.createTexture();
  gl.bindTexture(gl.TEXTURE_2D, texture);
  gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
  if (table instanceof Uint8Array) {
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA8, table.length / 4, 1, 0, gl.RGBA, gl.UNSIGNED_BYTE, table);
  } else {
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RG32F, table.length / 2, 1, 0, gl.RG, gl.FLOAT, table);
  }
  nearest(gl);
  return texture;
}

function nearest(gl: WebGL2RenderingContext): void {
  for (const name of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) {
    gl.texParameteri(gl.TEXTURE_2D, name, gl.NEAREST);
  }
  for (const name of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T]) {
    gl.texParameteri(gl.TEXTURE_2D, name, gl.CLAMP_TO_EDGE);
  }
}

interface TextureForm {
  internal: number;
  format: number;
  type: number;
  perTexel: number;
  view: (data: ArrayBuffer) => ArrayBufferView & { length: number };
}

function textureForm(gl: WebGL2RenderingContext, layer: Layer): TextureForm {
  const bytes = (data: ArrayBuffer) => new Uint8Array(data);
  switch (layer.coding.kind) {
    case 'packed':
      return { internal: gl.RGBA8UI, format: gl.RGBA_INTEGER, type: gl.UNSIGNED_BYTE, perTexel: 4, view: bytes };
    case 'codes':
      return { internal: gl.R8UI, format: gl.RED_INTEGER, type: gl.UNSIGNED_BYTE, perTexel: 1, view: bytes };
    case 'encoded':
      return { internal: gl.RGB8UI, format: gl.RGB_INTEGER, type: gl.UNSIGNED_BYTE, perTexel: 3, view: bytes };
    case 'float':
      return {
        internal: gl.R32F,
        format: gl.RED,
        type: gl.FLOAT,
        perTexel: 1,
        view: (data) => new Float32Array(data),
      };
    case 'scaled': {
      const [internal, format, perTexel] = {
        1: [gl.R16I, gl.RED_INTEGER, 1],
        2: [gl.RG16I, gl.RG_INTEGER, 2],
      }[layer.bands.length] ?? [gl.RGBA16I, gl.RGBA_INTEGER, 4];
      return { internal, format, type: gl.SHORT, perTexel, view: (whole) => new Int16Array(whole) };
    }
  }
}

/** Texels of four numbers that hold the bands of a pixel, where they are more than two. */
export function texelsPerPixel(layer: Layer): number {
  return Math.ceil(layer.bands.length / 4);
}

/** Whole numbers of 16 bits with each pixel's bands filled up to a multiple of four; one or two bands stay as they are. */
function inFours(layer: Layer, data: ArrayBuffer): ArrayBuffer {
  const bands = layer.bands.length;
  const width = 4 * texelsPerPixel(layer);
  if (bands <= 2 || bands === width) return data;
  const from = new Int16Array(data);
  const to = new Int16Array((from.length / bands) * width);
  for (let at = 0, into = 0; at < from.length; at += bands, into += width) {
    for (let band = 0; band < bands; band += 1) to[into + band] = from[at + band];
  }
  return to.buffer;
}
