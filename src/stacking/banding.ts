import { type FramePixels, median } from '../core/index.js';

/** Rows on each side whose medians a row is compared with. */
const REACH = 8;

/**
 * Takes offsets of whole rows or columns off, in place (P19): the median of a row's pixels, for each colour
 * site apart, less the median of the same sites' rows around it. Real structure is wider than a row and
 * stays; a row that land or a bright thing crosses is compared by its median and hardly moves.
 */
export function removeBanding(
  data: Float32Array,
  pixels: Pick<FramePixels, 'width' | 'height' | 'cfa' | 'kind'>,
  direction: 'rows' | 'columns',
): void {
  const { width, height, cfa } = pixels;
  const planes = pixels.kind === 'color' ? 3 : 1;
  const along = direction === 'rows' ? width : height;
  const lines = direction === 'rows' ? height : width;
  const periodAlong = cfa ? (direction === 'rows' ? cfa.width : cfa.height) : 1;
  const periodAcross = cfa ? (direction === 'rows' ? cfa.height : cfa.width) : 1;
  const at = (line: number, k: number): number =>
    direction === 'rows' ? line * width + k : k * width + line;
  for (let plane = 0; plane < planes; plane++) {
    const start = plane * width * height;
    for (let phase = 0; phase < periodAlong; phase++) {
      const medians = Array.from({ length: lines }, (_, line) => {
        const values: number[] = [];
        for (let k = phase; k < along; k += periodAlong) values.push(data[start + at(line, k)]!);
        return median(values);
      });
      for (let line = 0; line < lines; line++) {
        const around: number[] = [];
        // In pairs, so that a gradient is no offset.
        for (let k = 1; k <= REACH; k++) {
          const before = line - k * periodAcross;
          const after = line + k * periodAcross;
          if (before >= 0 && after < lines) around.push(medians[before]!, medians[after]!);
        }
        const offset = medians[line]! - median(around);
        if (!Number.isFinite(offset)) continue;
        for (let k = phase; k < along; k += periodAlong) {
          const i = start + at(line, k);
          data[i] = data[i]! - offset;
        }
      }
    }
  }
}
