// Angle between the surface and the plate's plane, degrees.
uniform isampler2D slopes;
uniform vec2 scales;
uniform vec2 offsets;
uniform int unknown_code;
float value_of_pixel(out bool known) {
  ivec2 code = texelFetch(slopes, flat_at(pixel_index), 0).rg;
  known = code.x != unknown_code && code.y != unknown_code;
  return degrees(atan(length(vec2(code) * scales + offsets)));
}
