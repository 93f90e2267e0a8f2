uniform float white;            // linear light shown as white
void show() {
  begin();
  float light;
  if (!light_of_pixel(light)) {
    seen = hatch();
    return;
  }
  seen = vec4(vec3(encode(light / white * exp2(stops))), 1.0);
}
