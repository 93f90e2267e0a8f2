uniform sampler2D values;
uniform float unknown_value;
float value_of_pixel(out bool known) {
  float value = texelFetch(values, flat_at(pixel_index), 0).r;
  known = value == value && value > unknown_value / 2.0;
  return value;
}
