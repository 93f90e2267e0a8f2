#version 300 es
// What every picture shares: texels to the letter (never mixed, so that a tile's edge cannot be seen), sRGB, the hatch.
precision highp float;
precision highp int;
precision highp sampler2D;
precision highp isampler2D;
precision highp usampler2D;

in vec2 texel_at;
uniform int tile_px;
uniform vec4 texel_mm;      // plate x, y of the tile's upper left corner; size of a texel along x and y
uniform float stops;        // exposure, powers of two
out vec4 seen;

// of textures that hold a tile's numbers one after the other
const int FLAT_SHIFT = 11;
const int FLAT_WIDTH = 1 << FLAT_SHIFT;

ivec2 texel;                // set by begin()
int pixel_index;
vec2 here;                  // texels: what show() paints
void begin() {
  texel = clamp(ivec2(here), ivec2(0), ivec2(tile_px - 1));
  pixel_index = texel.y * tile_px + texel.x;
}
ivec2 flat_at(int index) { return ivec2(index & (FLAT_WIDTH - 1), index >> FLAT_SHIFT); }
vec2 plate_at() { return texel_mm.xy + (vec2(texel) + 0.5) * vec2(texel_mm.z, -texel_mm.w); }

// IEC 61966-2-1
float encode(float linear) {
  float held = clamp(linear, 0.0, 1.0);
  return held <= 0.0031308 ? 12.92 * held : 1.055 * pow(held, 1.0 / 2.4) - 0.055;
}
float decode(float shown) {
  return shown <= 0.04045 ? shown / 12.92 : pow((shown + 0.055) / 1.055, 2.4);
}

// neutral, so that it is taken for nothing else
vec4 hatch() {
  vec2 at = floor(gl_FragCoord.xy);
  return mod(at.x + at.y, 8.0) < 2.0 ? vec4(vec3(138.0 / 255.0), 1.0) : vec4(vec3(189.0 / 255.0), 1.0);
}
