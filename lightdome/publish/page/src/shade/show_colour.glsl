// Light in the colour of the stack: the pixel's light shared out among red, green and blue as in the mean photograph.
uniform float white;
uniform usampler2D colour;
void show() {
  begin();
  float light;
  uvec3 code = texelFetch(colour, flat_at(pixel_index), 0).rgb;
  if (!light_of_pixel(light) || code == uvec3(0u)) {
    seen = hatch();
    return;
  }
  vec3 share = vec3(decode(float(code.r) / 255.0), decode(float(code.g) / 255.0), decode(float(code.b) / 255.0));
  share /= max(dot(share, vec3(1.0 / 3.0)), 1e-6);
  vec3 shown = light / white * exp2(stops) * share;
  seen = vec4(encode(shown.r), encode(shown.g), encode(shown.b), 1.0);
}
