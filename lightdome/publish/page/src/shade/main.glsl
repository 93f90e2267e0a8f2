// SAMPLES is 4 where a screen pixel holds more than one texel and nothing moves, else 1.
void main() {
#if SAMPLES == 1
  here = texel_at;
  show();
#else
  vec2 across = dFdx(texel_at) / 4.0;
  vec2 down = dFdy(texel_at) / 4.0;
  vec4 total = vec4(0.0);
  for (int at = 0; at < 4; at += 1) {
    here = texel_at + (at % 2 == 0 ? -across : across) + (at < 2 ? -down : down);
    show();
    total += seen;
  }
  seen = total / 4.0;
#endif
}
