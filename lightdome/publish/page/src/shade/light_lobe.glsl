// A pixel's light by the lobe model: twelve bytes of whole numbers, the plate's lobe, and order-2 harmonics of the rest.
uniform usampler2D relight;
uniform vec4 low[4];            // by band, four to a vector: lowest value, and value of a step
uniform vec4 per_step[4];
uniform sampler2D knots;        // the lobe's table: value and rise to the next knot
uniform vec3 stretched;         // xx, xy, yy
uniform float diffuse_curvature;
uniform float shadow_share;
uniform float lobe_integral;

struct Surface {
  vec2 slope;
  float scale;                  // cosine between normal and z
  float diffuse;
  float squared;                // of the roughness
  float shadowing;              // the same of what facets shadow each other with
  float widening;               // squared roughness over squared scale
  float strength;               // of the lobe: all of it that the lamp does not change
  float limit;
  vec3 view;
  Coefficients rest;
};

float unshadowed(float cosine, float squared) {
  float c = max(cosine, 1e-6);
  return 2.0 * c / (c + sqrt(c * c + squared * (1.0 - c * c)));
}

// `reflect` of surface/lobe.py with the half vector not divided by its z, which saves most divisions
float light_of_lamp(Surface s, vec3 to) {
  float lit = (to.z - dot(s.slope, to.xy)) * s.scale;
  vec3 h = to + s.view;
  float along = h.z - dot(s.slope, h.xy);
  vec2 d = h.xy + s.slope * h.z;
  float across = s.slope.x * h.y - s.slope.y * h.x;
  float width = along * along * s.squared;
  float inverse = 1.0 / (width + stretched.x * d.x * d.x + stretched.y * 2.0 * d.x * d.y + stretched.z * d.y * d.y + across * across);
  float knot = 64.0 - 64.0 * width * inverse;
  float before = clamp(floor(knot), 0.0, 63.0);
  vec2 of_table = texelFetch(knots, ivec2(int(before), 0), 0).rg;
  float peak = s.widening * dot(h, h) * inverse;
  float spread = peak * peak * (of_table.x + (knot - before) * of_table.y) * unshadowed(lit, s.shadowing);
  float shown = s.diffuse * lit * (1.0 + diffuse_curvature * lit) + s.strength * spread;
  float highlight = lit > 0.0 ? min(shown, s.limit) : 0.0;
  return max(highlight + order_2(s.rest, stretched_to_sphere(to)), 0.0);
}

bool light_of_pixel(out float light) {
  int first = 3 * pixel_index;
  uvec4 a = texelFetch(relight, flat_at(first), 0);
  uvec4 b = texelFetch(relight, flat_at(first + 1), 0);
  uvec4 c = texelFetch(relight, flat_at(first + 2), 0);
  light = 0.0;
  if (b.z == 0u) return false;
  uvec4 high_digits = c >> 4u;
  uvec4 low_digits = c & 15u;
  vec4 facet = low[0] + per_step[0] * vec4(uvec4(a.x << 4 | a.y >> 4, (a.y & 15u) << 8 | a.z, a.w, b.x));
  vec4 more = low[1] + per_step[1] * vec4(uvec4(b.yzw, high_digits.x));
  vec4 third = low[2] + per_step[2] * vec4(uvec4(low_digits.x, high_digits.y, low_digits.y, high_digits.z));
  vec4 fourth = low[3] + per_step[3] * vec4(uvec4(low_digits.z, high_digits.w, low_digits.w, 0u));

  vec2 place = plate_at();
  Surface s;
  s.slope = facet.xy;
  s.scale = inversesqrt(1.0 + dot(s.slope, s.slope));
  s.diffuse = facet.z * facet.z / (1.0 + diffuse_curvature);
  float roughness = exp(more.x);
  s.squared = roughness * roughness;
  s.shadowing = s.squared * shadow_share * shadow_share;
  s.widening = s.squared / (s.scale * s.scale);
  s.limit = more.y * more.y;
  s.view = toward_camera(place);
  float seen_cosine = (s.view.z - dot(s.slope, s.view.xy)) * s.scale;
  s.strength = facet.w * facet.w * unshadowed(seen_cosine, s.shadowing) / (seen_cosine * 4.0 * s.squared * lobe_integral);
  s.rest.a = vec4(more.zw, third.xy);
  s.rest.b = vec4(third.zw, fourth.xy);
  s.rest.c.x = fourth.z;

  float irradiance;
  vec3 to = toward_lamp(lamp_main, place, irradiance);
  light = irradiance * light_of_lamp(s, to);
#if LAMPS > 1
  to = toward_lamp(lamp_fill, place, irradiance);
  light += fill_strength * irradiance * light_of_lamp(s, to);
#endif
  return true;
}
