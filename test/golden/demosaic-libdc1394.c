/*
 * Makes demosaic-libdc1394.json: a mosaic of random values, and what libdc1394's HQLINEAR (an implementation of
 * Malvar, He and Cutler 2004 that shares nothing with ours) makes of it for each of the four patterns.
 *
 *   apt-get install libdc1394-dev gcc
 *   gcc -o make demosaic-libdc1394.c -ldc1394 && ./make > demosaic-libdc1394.json
 */
#include <dc1394/dc1394.h>
#include <stdint.h>
#include <stdio.h>

enum { SIDE = 16 };

static void print(const char *name, const uint16_t *values, int count) {
  printf(",\"%s\":[", name);
  for (int i = 0; i < count; i++) printf("%s%u", i ? "," : "", values[i]);
  printf("]");
}

int main(void) {
  uint16_t mosaic[SIDE * SIDE];
  uint16_t rgb[3 * SIDE * SIDE];
  /* A linear congruential generator, Numerical Recipes' constants; values far from 0 and 65535: nothing is cut. */
  uint32_t state = 7;
  for (int i = 0; i < SIDE * SIDE; i++) {
    state = 1664525u * state + 1013904223u;
    mosaic[i] = 20000 + (state >> 16) % 8000;
  }
  printf("{\"source\":\"libdc1394, dc1394_bayer_decoding_16bit, DC1394_BAYER_METHOD_HQLINEAR\",\"version\":\"2.2.6\","
         "\"command\":\"see demosaic-libdc1394.c\",\"side\":%d", SIDE);
  print("mosaic", mosaic, SIDE * SIDE);
  const struct { const char *name; dc1394color_filter_t filter; } patterns[] = {
      {"RGGB", DC1394_COLOR_FILTER_RGGB}, {"GBRG", DC1394_COLOR_FILTER_GBRG},
      {"GRBG", DC1394_COLOR_FILTER_GRBG}, {"BGGR", DC1394_COLOR_FILTER_BGGR}};
  for (int k = 0; k < 4; k++) {
    if (dc1394_bayer_decoding_16bit(mosaic, rgb, SIDE, SIDE, patterns[k].filter, DC1394_BAYER_METHOD_HQLINEAR, 16))
      return 1;
    print(patterns[k].name, rgb, 3 * SIDE * SIDE);
  }
  printf("}\n");
  return 0;
}
