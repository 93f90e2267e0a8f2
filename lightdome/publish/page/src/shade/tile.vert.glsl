#version 300 es
// A tile, or a part of a coarser one, as a rectangle of the plate.
in vec2 corner;             // of the unit square
uniform vec4 plate_mm;      // west, north, east, south of the rectangle
uniform vec4 view_mm;       // centre of the view, and plate lengths of half its width and height
uniform vec4 texels;        // left, top, right, bottom of the rectangle in the tile's texels
out vec2 texel_at;
void main() {
  texel_at = mix(texels.xy, texels.zw, corner);
  gl_Position = vec4((mix(plate_mm.xy, plate_mm.zw, corner) - view_mm.xy) / view_mm.zw, 0.0, 1.0);
}
