// A pixel's light by hemispherical harmonics alone, from whole numbers of 16 bits.
uniform isampler2D harmonics;
uniform float scales[BASIS];
uniform float offsets[BASIS];
uniform int unknown_code;

bool light_of_pixel(out float light) {
  float coefficient[BASIS];
  light = 0.0;
  int first = BASIS * pixel_index();
  for (int term = 0; term < BASIS; term += 1) {
    int code = texelFetch(harmonics, flat_at(first + term), 0).r;
    if (code == unknown_code) return false;
    coefficient[term] = float(code) * scales[term] + offsets[term];
  }
  vec2 place = plate_at();
  for (int index = 0; index < lamp_count; index += 1) {
    float irradiance;
    vec3 to = toward_lamp(index, place, irradiance);
    float basis[BASIS];
    hemispherical_harmonics(to, basis);
    float sum = 0.0;
    for (int term = 0; term < BASIS; term += 1) sum += basis[term] * coefficient[term];
    light += irradiance * max(sum, 0.0);
  }
  return true;
}
