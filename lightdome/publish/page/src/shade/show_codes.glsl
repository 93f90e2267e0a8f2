// Classes or flags: colour and pattern of the code over the light of the pixel, paled.
uniform float white;
uniform usampler2D codes;
uniform sampler2D looks;        // by code: red, green, blue, and one more than the pattern; 0 where nothing is shown
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

void show() {
  begin();
  int code = int(texelFetch(codes, flat_at(pixel_index), 0).r);
  vec4 look = texelFetch(looks, ivec2(code, 0), 0);
  int pattern = int(look.a * 255.0 + 0.5) - 1;
  float light;
  bool known = light_of_pixel(light);
  vec3 ground = known ? vec3(0.5 + 0.45 * encode(light / white * exp2(stops))) : hatch().rgb;
  vec3 over = patterned(pattern) ? vec3(1.0) : look.rgb;
  seen = vec4(pattern < 0 ? ground : 0.25 * ground + 0.75 * over, 1.0);
}
