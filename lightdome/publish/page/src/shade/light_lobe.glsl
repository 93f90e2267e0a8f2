// A pixel's light by the lobe model: twelve bytes of whole numbers, the plate's lobe, and order-2 harmonics of the rest.
uniform usampler2D relight;
uniform float low[15];
uniform float per_step[15];
uniform vec2 knots[64];         // the lobe's table: value and rise to the next knot
uniform vec3 stretched;         // xx, xy, yy
uniform float diffuse_curvature;
uniform float shadow_share;
uniform float lobe_integral;

float unshadowed(float cosine, float roughness) {
  float c = max(cosine, 1e-6);
  return 2.0 * c / (c + sqrt(c * c + roughness * roughness * (1.0 - c * c)));
}

// the numbers of a pixel; false where it is unknown
bool unpack(out float code[15]) {
  int first = 3 * pixel_index();
  uvec4 a = texelFetch(relight, flat_at(first), 0);
  uvec4 b = texelFetch(relight, flat_at(first + 1), 0);
  uvec4 c = texelFetch(relight, flat_at(first + 2), 0);
  code[0] = float(a.x << 4 | a.y >> 4);
  code[1] = float((a.y & 15u) << 8 | a.z);
  code[2] = float(a.w);
  code[3] = float(b.x);
  code[4] = float(b.y);
  code[5] = float(b.z);
  code[6] = float(b.w);
  code[7] = float(c.x >> 4);
  code[8] = float(c.x & 15u);
  code[9] = float(c.y >> 4);
  code[10] = float(c.y & 15u);
  code[11] = float(c.z >> 4);
  code[12] = float(c.z & 15u);
  code[13] = float(c.w >> 4);
  code[14] = float(c.w & 15u);
  return b.z > 0u;
}

bool light_of_pixel(out float light) {
  float value[15];
  light = 0.0;
  if (!unpack(value)) return false;
  for (int index = 0; index < 15; index += 1) value[index] = low[index] + value[index] * per_step[index];
  vec2 slope = vec2(value[0], value[1]);
  float diffuse = value[2] * value[2];
  float specular = value[3] * value[3];
  float roughness = exp(value[4]);
  float limit = value[5] * value[5];

  vec2 place = plate_at();
  vec3 view = toward_camera(place);
  float scale = inversesqrt(1.0 + dot(slope, slope));
  float seen_cosine = (view.z - dot(slope, view.xy)) * scale;
  float shadowing = roughness * shadow_share;
  float strength = specular * unshadowed(seen_cosine, shadowing) / (seen_cosine * 4.0 * roughness * roughness * lobe_integral);

  for (int index = 0; index < lamp_count; index += 1) {
    float irradiance;
    vec3 to = toward_lamp(index, place, irradiance);
    float lit = (to.z - dot(slope, to.xy)) * scale;
    float shown = 0.0;
    if (lit > 0.0) {
      vec3 half_way = to + view;
      vec2 tilt = -half_way.xy / half_way.z;
      float along = 1.0 + dot(slope, tilt);
      vec2 d = tilt - slope;
      float cross_part = slope.x * tilt.y - slope.y * tilt.x;
      float way = along * roughness;
      float u = (stretched.x * d.x * d.x + 2.0 * stretched.y * d.x * d.y + stretched.z * d.y * d.y + cross_part * cross_part) / (way * way);
      float w = u / (1.0 + u);
      float knot = w * 64.0;
      int before = min(int(knot), 63);
      float spread = knots[before].x + (knot - float(before)) * knots[before].y;
      float cosine2 = along * along * scale * scale / (1.0 + dot(tilt, tilt));
      spread *= (1.0 - w) * (1.0 - w) * unshadowed(lit, shadowing) / (cosine2 * cosine2);
      shown = diffuse * (lit + diffuse_curvature * lit * lit) / (1.0 + diffuse_curvature) + strength * spread;
    }
    float basis[9];
    hemispherical_harmonics(to, basis);
    float rest = 0.0;
    for (int term = 0; term < 9; term += 1) rest += basis[term] * value[6 + term];
    light += irradiance * max(min(shown, limit) + rest, 0.0);
  }
  return true;
}
