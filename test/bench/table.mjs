// Timing and the table that all benchmarks print.

/** Runs `work` until about `budgetMs` has gone, after a warm-up; milliseconds, least and median. */
export async function time(work, budgetMs = 600) {
  await work();
  const times = [];
  const end = performance.now() + budgetMs;
  do {
    const start = performance.now();
    await work();
    times.push(performance.now() - start);
  } while (performance.now() < end || times.length < 3);
  times.sort((a, b) => a - b);
  return { min: times[0], median: times[times.length >> 1] };
}

/** Prints a heading. */
export function heading(extra = '') {
  console.log(`case | size | workers | min ms | median ms | Mpx/s | vs reference ${extra}`);
}

/** Prints one line; `pixels` are the pixels worked on in one run. */
export function line({ name, size, workers = 1, result, pixels, reference, extra = '' }) {
  const ratio = reference ? `${(reference.median / result.median).toFixed(1)} x` : '-';
  console.log(
    `${name} | ${size} | ${workers} | ${result.min.toFixed(1)} | ${result.median.toFixed(1)} | ${(pixels / result.median / 1e3).toFixed(1)} | ${ratio} ${extra}`,
  );
}
