// Hemispherical harmonics (Gautron et al. 2004) of a direction, in the order l0_m0, l1_m-1, l1_m0, l1_m1, l2_m-2 ...
void hemispherical_harmonics(vec3 to, out float value[BASIS]) {
  float z = clamp(to.z, 0.0, 1.0);
  float stretched = 2.0 * sqrt(z / (1.0 + z));
  float x = stretched * to.x;
  float y = stretched * to.y;
  z = 2.0 * z - 1.0;
  float all[16] = float[16](
    1.0, y, z, x, x * y, y * z, 3.0 * z * z - 1.0, x * z, x * x - y * y,
    y * (3.0 * x * x - y * y), x * y * z, y * (5.0 * z * z - 1.0), z * (5.0 * z * z - 3.0), x * (5.0 * z * z - 1.0),
    z * (x * x - y * y), x * (x * x - 3.0 * y * y));
  // squares of the norms, times pi
  const float norms[16] = float[16](
    0.25, 0.75, 0.75, 0.75, 3.75, 3.75, 0.3125, 3.75, 0.9375,
    1.09375, 26.25, 0.65625, 0.4375, 0.65625, 6.5625, 1.09375);
  for (int index = 0; index < BASIS; index += 1) value[index] = all[index] * sqrt(2.0 * norms[index] / 3.14159265358979);
}
