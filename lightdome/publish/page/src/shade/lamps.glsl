// One or two lamps: where they stand for a place on the plate, and how strongly they light it.
// Written for software renderers too: they keep local arrays in memory and run both ways of a branch, so that the number
// of lamps is compiled in (LAMPS).
uniform vec3 lamp_main;         // near: place in mm; distant: unit vector toward the lamp
uniform vec3 lamp_fill;
uniform float fill_strength;
uniform bool lamps_near;
uniform float camera_mm;        // entrance pupil above the origin; 0 where the projection is orthographic

vec3 toward_lamp(vec3 lamp, vec2 place, out float irradiance) {
  irradiance = 1.0;
  if (!lamps_near) return lamp;
  vec3 way = lamp - vec3(place, 0.0);
  float inverse = inversesqrt(dot(way, way));
  irradiance = dot(lamp, lamp) * inverse * inverse;
  return way * inverse;
}

vec3 toward_camera(vec2 place) {
  return camera_mm > 0.0 ? normalize(vec3(-place, camera_mm)) : vec3(0.0, 0.0, 1.0);
}
