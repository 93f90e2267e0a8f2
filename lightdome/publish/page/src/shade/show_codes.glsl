// Classes or flags: colour and pattern of the code over the light of the pixel, paled.
uniform float white;
uniform usampler2D codes;
uniform int look_count;
uniform int look_code[8];       // a class, or the bit of a flag, the gravest first
uniform int look_pattern[8];
uniform vec3 look_colour[8];
uniform bool codes_are_bits;
uniform float pattern_px;       // screen pixels in a period
uniform float screen_rows;

bool patterned(int pattern) {
  vec2 at = floor(gl_FragCoord.xy);
  at = mod(vec2(at.x, screen_rows - 1.0 - at.y), pattern_px); // rows from above
  float line = floor(pattern_px / 4.0);
  if (pattern == 1) return mod(at.y - at.x, pattern_px) < line;
  if (pattern == 2) return mod(at.x + at.y, pattern_px) < line;
  if (pattern == 3) return at.y < line;
  if (pattern == 4) return at.x <= line && at.y <= line;
  return false;
}

void main() {
  begin();
  int code = int(texelFetch(codes, flat_at(pixel_index), 0).r);
  float light;
  bool known = light_of_pixel(light);
  vec3 ground = known ? vec3(0.5 + 0.45 * encode(light / white * exp2(stops))) : hatch().rgb;
  seen = vec4(ground, 1.0);
  for (int index = 0; index < look_count; index += 1) {
    bool has = codes_are_bits ? (code & look_code[index]) != 0 : code == look_code[index];
    if (has) {
      vec3 over = patterned(look_pattern[index]) ? vec3(1.0) : look_colour[index];
      seen = vec4(0.25 * ground + 0.75 * over, 1.0);
      return;
    }
  }
}
