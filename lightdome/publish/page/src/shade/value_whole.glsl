uniform isampler2D values;
uniform float scale;
uniform float offset;
uniform float unknown_value;
float value_of_pixel(out bool known) {
  float code = float(texelFetch(values, flat_at(pixel_index), 0).r);
  known = code != unknown_value;
  return code * scale + offset;
}
