/**
 * The boundary of least cost between sky above and land below, one height a column.
 *
 * @param gain f32[height*width]: what calling a cell land gains (negative: loses)
 * @param edge f32[(height+1)*width]: what a boundary just above row h gains
 * @param slope cost of a step of one row between neighbouring columns
 * @param jump most that a step costs, however high (towers, cliffs)
 * @returns first land row of each column (height = none) and the total gain over calling all of it sky
 * @source Bellman's dynamic programming; distance transform of a truncated linear cost: P. F. Felzenszwalb
 *   and D. P. Huttenlocher, Int. J. Computer Vision 70 (2006) 41
 */
export function bestBoundary(
  size: { readonly width: number; readonly height: number },
  gain: Float32Array,
  edge: Float32Array,
  costs: { readonly slope: number; readonly jump: number },
): { readonly rows: Int32Array; readonly total: number } {
  const { width, height } = size;
  const states = height + 1;
  let best = new Float64Array(states);
  let next = new Float64Array(states);
  const from = new Int32Array(width * states);
  const passed = new Float64Array(states);
  const source = new Int32Array(states);
  for (let x = 0; x < width; x++) {
    // Cost of reaching each height from the column before.
    if (x === 0) {
      passed.fill(0);
      for (let h = 0; h < states; h++) source[h] = h;
    } else {
      let lowest = 0;
      for (let h = 0; h < states; h++) {
        passed[h] = best[h]!;
        source[h] = h;
        if (best[h]! < best[lowest]!) lowest = h;
      }
      for (let h = 1; h < states; h++) {
        if (passed[h - 1]! + costs.slope < passed[h]!) {
          passed[h] = passed[h - 1]! + costs.slope;
          source[h] = source[h - 1]!;
        }
      }
      for (let h = states - 2; h >= 0; h--) {
        if (passed[h + 1]! + costs.slope < passed[h]!) {
          passed[h] = passed[h + 1]! + costs.slope;
          source[h] = source[h + 1]!;
        }
      }
      const leap = best[lowest]! + costs.jump;
      for (let h = 0; h < states; h++) {
        if (leap < passed[h]!) {
          passed[h] = leap;
          source[h] = lowest;
        }
      }
    }
    from.set(source, x * states);
    let sum = 0;
    next[height] = passed[height]!;
    for (let h = height - 1; h >= 0; h--) {
      sum += gain[h * width + x]!;
      next[h] = passed[h]! - sum - edge[h * width + x]!;
    }
    [best, next] = [next, best];
  }
  let at = 0;
  for (let h = 1; h < states; h++) if (best[h]! < best[at]!) at = h;
  const total = -best[at]!;
  const rows = new Int32Array(width);
  for (let x = width - 1; x >= 0; x--) {
    rows[x] = at;
    at = from[x * states + at]!;
  }
  return { rows, total };
}
