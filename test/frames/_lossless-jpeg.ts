/**
 * Encodes one component of 16-bit samples as lossless JPEG with the left-neighbour predictor: the slow,
 * obvious way, for tests only.
 * @source ITU-T T.81 (1992) annex H; Huffman codes of one length (five bits) for the 17 difference classes
 */
export function encodeLosslessJpeg(data: Uint16Array, width: number, height: number): Uint8Array {
  const out: number[] = [0xff, 0xd8];
  const word = (value: number) => out.push(value >> 8, value & 255);
  // DHT: class 0, table 0, 17 codes of five bits
  out.push(0xff, 0xc4);
  word(2 + 1 + 16 + 17);
  out.push(0, 0, 0, 0, 0, 17, ...new Array<number>(11).fill(0));
  for (let symbol = 0; symbol < 17; symbol++) out.push(symbol);
  // SOF3: 16 bits, one component
  out.push(0xff, 0xc3);
  word(11);
  out.push(16);
  word(height);
  word(width);
  out.push(1, 0, 0x11, 0);
  // SOS: predictor 1
  out.push(0xff, 0xda);
  word(8);
  out.push(1, 0, 0, 1, 0, 0);
  let pool = 0;
  let held = 0;
  const put = (value: number, bits: number) => {
    for (let b = bits - 1; b >= 0; b--) {
      pool = (pool << 1) | ((value >> b) & 1);
      if (++held === 8) {
        out.push(pool & 255);
        if ((pool & 255) === 0xff) out.push(0);
        pool = 0;
        held = 0;
      }
    }
  };
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const at = y * width + x;
      const before = x > 0 ? data[at - 1]! : y > 0 ? data[at - width]! : 32_768;
      let difference = (data[at]! - before) & 0xffff;
      if (difference > 32_768) difference -= 65_536;
      const size = difference === 0 ? 0 : 32 - Math.clz32(Math.abs(difference));
      put(size, 5);
      if (size > 0 && size < 16) put(difference < 0 ? difference + (1 << size) - 1 : difference, size);
    }
  }
  while (held !== 0) put(1, 1);
  out.push(0xff, 0xd9);
  return Uint8Array.from(out);
}
