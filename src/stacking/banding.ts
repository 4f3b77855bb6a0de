import { type BorderLines, type DarkBorder, type FramePixels, madSigma, median } from '../core/index.js';

/** Rows on each side whose medians a row is compared with. */
const REACH = 8;

/** A border whose lines scatter by little more than chance is left alone: it would add noise. */
const LEAST_TRUST = 0.3;

/**
 * Takes offsets of whole rows or columns off, in place (P19). Where the sensor's masked pixels tell them, they
 * are taken from there: nothing in the picture can pass for an offset then, and slow ones are seen as well.
 * Otherwise from the picture; see `removeFromPicture`.
 *
 * @param known the same border in the dark or bias that was subtracted: what it holds is off already
 */
export function removeBanding(
  data: Float32Array,
  pixels: Pick<FramePixels, 'width' | 'height' | 'cfa' | 'kind' | 'darkBorder'>,
  direction: 'rows' | 'columns',
  known?: DarkBorder,
): void {
  const offsets = borderOffsets(pixels.darkBorder?.[direction], known?.[direction]);
  if (!offsets) {
    removeFromPicture(data, pixels, direction);
    return;
  }
  const { width } = pixels;
  for (let i = 0; i < data.length; i++) {
    const y = Math.floor(i / width);
    data[i] = data[i]! - offsets[direction === 'rows' ? y : i - y * width]!;
  }
}

/**
 * Offsets of lines from the masked pixels, less their middle (the black level itself is known better), made
 * smaller by the share that chance alone puts into their scatter.
 */
function borderOffsets(
  border: BorderLines | undefined,
  known: BorderLines | undefined,
): Float32Array | undefined {
  if (!border) return undefined;
  const values = border.values.map((value, i) => value - (known?.values[i] ?? 0));
  const trust = 1 - (border.error / madSigma(values)) ** 2;
  if (!(trust >= LEAST_TRUST)) return undefined;
  const middle = median(values);
  return values.map((value) => trust * (value - middle));
}

/**
 * Takes offsets of whole rows or columns off by the picture itself: the median of a row's pixels, for each colour
 * site apart, less the median of the same sites' rows around it. Real structure is wider than a row and
 * stays; a row that land or a bright thing crosses is compared by its median and hardly moves.
 */
function removeFromPicture(
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
