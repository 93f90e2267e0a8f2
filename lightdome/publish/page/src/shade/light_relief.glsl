// Shaded relief: the slopes alone, as a surface that reflects evenly (Lambert), under distant lamps.
// A level surface is shown at the same grey under every lamp.
uniform isampler2D slopes;
uniform vec2 scales;
uniform vec2 offsets;
uniform int unknown_code;
uniform float relief_strength;

const float LEVEL = 0.4;

bool light_of_pixel(out float light) {
  ivec2 code = texelFetch(slopes, flat_at(pixel_index), 0).rg;
  light = 0.0;
  if (code.x == unknown_code || code.y == unknown_code) return false;
  vec2 slope = (vec2(code) * scales + offsets) * relief_strength;
  float scale = inversesqrt(1.0 + dot(slope, slope));
  light = max(0.0, (lamp_main.z - dot(slope, lamp_main.xy)) * scale);
  float total = lamp_main.z;
#if LAMPS > 1
  light += fill_strength * max(0.0, (lamp_fill.z - dot(slope, lamp_fill.xy)) * scale);
  total += fill_strength * lamp_fill.z;
#endif
  light *= LEVEL / total;
  return true;
}
