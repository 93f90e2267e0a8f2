// Where no light of the pixel is known: an even ground for codes to stand on.
bool light_of_pixel(out float light) {
  light = 1.0;
  return true;
}
