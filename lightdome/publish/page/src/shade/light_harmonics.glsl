// A pixel's light by hemispherical harmonics alone, from whole numbers of 16 bits, four to a texel.
uniform isampler2D harmonics;
uniform vec4 scales[TEXELS];
uniform vec4 offsets[TEXELS];
uniform int unknown_code;

vec4 coefficients_of(int index) {
  return vec4(texelFetch(harmonics, flat_at(TEXELS * pixel_index + index), 0)) * scales[index] + offsets[index];
}

bool light_of_pixel(out float light) {
  light = 0.0;
  if (texelFetch(harmonics, flat_at(TEXELS * pixel_index), 0).r == unknown_code) return false;
  Coefficients k;
  k.a = coefficients_of(0);
#if TEXELS > 1
  k.b = coefficients_of(1);
  k.c = coefficients_of(2);
#else
  k.b = vec4(0.0);
  k.c = vec4(0.0);
#endif
#if TEXELS > 3
  k.d = coefficients_of(3);
#else
  k.d = vec4(0.0);
#endif
  vec2 place = plate_at();
  float irradiance;
  vec3 to = toward_lamp(lamp_main, place, irradiance);
  light = irradiance * max(SUM(k, stretched_to_sphere(to)), 0.0);
#if LAMPS > 1
  to = toward_lamp(lamp_fill, place, irradiance);
  light += fill_strength * irradiance * max(SUM(k, stretched_to_sphere(to)), 0.0);
#endif
  return true;
}
