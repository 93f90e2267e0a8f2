// Hemispherical harmonics (Gautron et al. 2004) of a direction times coefficients, in the order l0_m0, l1_m-1, l1_m0,
// l1_m1, l2_m-2 ...  The factors that make the functions orthonormal are in the coefficients already.
struct Coefficients {
  vec4 a;    // l0_m0, l1_m-1, l1_m0, l1_m1
  vec4 b;    // l2_m-2, l2_m-1, l2_m0, l2_m1
  vec4 c;    // l2_m2, l3_m-3, l3_m-2, l3_m-1
  vec4 d;    // l3_m0, l3_m1, l3_m2, l3_m3
};

vec3 stretched_to_sphere(vec3 to) {
  float z = clamp(to.z, 0.0, 1.0);
  return vec3(2.0 * sqrt(z / (1.0 + z)) * to.xy, 2.0 * z - 1.0);
}

float order_2(Coefficients k, vec3 at) {
  float x = at.x, y = at.y, z = at.z;
  return k.a.x + y * (k.a.y + k.b.x * x + k.b.y * z) + z * k.a.z + x * (k.a.w + k.b.w * z)
    + k.b.z * (3.0 * z * z - 1.0) + k.c.x * (x * x - y * y);
}

float order_3(Coefficients k, vec3 at) {
  float x = at.x, y = at.y, z = at.z;
  return order_2(k, at)
    + dot(k.c.yzw, vec3(y * (3.0 * x * x - y * y), x * y * z, y * (5.0 * z * z - 1.0)))
    + dot(k.d, vec4(z * (5.0 * z * z - 3.0), x * (5.0 * z * z - 1.0), z * (x * x - y * y), x * (x * x - 3.0 * y * y)));
}
