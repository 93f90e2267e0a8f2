// One or two lamps: where they stand for a place on the plate, and how strongly they light it.
uniform int lamp_count;
uniform vec3 lamps[2];          // near: place in mm; distant: unit vector toward the lamp
uniform float lamp_strength[2];
uniform bool lamps_near;
uniform float camera_mm;        // entrance pupil above the origin; 0 where the projection is orthographic

vec3 toward_lamp(int index, vec2 place, out float irradiance) {
  if (!lamps_near) {
    irradiance = lamp_strength[index];
    return lamps[index];
  }
  vec3 way = lamps[index] - vec3(place, 0.0);
  float squared = dot(way, way);
  irradiance = lamp_strength[index] * dot(lamps[index], lamps[index]) / squared;
  return way * inversesqrt(squared);
}

vec3 toward_camera(vec2 place) {
  return camera_mm > 0.0 ? normalize(vec3(-place, camera_mm)) : vec3(0.0, 0.0, 1.0);
}
