// A number of the pixel through a table of 256 colours, mixed between two of them.
uniform vec2 shown_range;
uniform sampler2D colours;

void show() {
  begin();
  bool known;
  float value = value_of_pixel(known);
  if (!known) {
    seen = hatch();
    return;
  }
  float share = (value - shown_range.x) / (shown_range.y - shown_range.x);
  float at = 255.0 * clamp(share, 0.0, 1.0);
  int below = int(at);
  vec4 low = texelFetch(colours, ivec2(below, 0), 0);
  vec4 high = texelFetch(colours, ivec2(min(below + 1, 255), 0), 0);
  seen = mix(low, high, at - float(below));
}
