// A number of the pixel through a table of 256 colours.
uniform vec2 shown_range;
uniform sampler2D colours;

void main() {
  begin();
  bool known;
  float value = value_of_pixel(known);
  if (!known) {
    seen = hatch();
    return;
  }
  float share = (value - shown_range.x) / (shown_range.y - shown_range.x);
  int index = clamp(int(floor(share * 256.0)), 0, 255);
  seen = texelFetch(colours, ivec2(index, 0), 0);
}
