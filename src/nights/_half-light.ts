import { type FramePixels, median } from '../core/index.js';
import type { Peak } from './_peaks.js';
import { excessWindow } from './_pixel-window.js';

/**
 * Median half-light diameter of the brightest peaks, px: light above the window's median summed outwards
 * in rings until half of it is inside. Undefined when fewer than three peaks allow it.
 */
export function halfLightDiameter(pixels: FramePixels, peaks: readonly Peak[]): number | undefined {
  const diameters: number[] = [];
  const radius = 14;
  for (const peak of peaks.slice(0, 30)) {
    const cx = Math.round(peak.x);
    const cy = Math.round(peak.y);
    const { size, excess, noise } = excessWindow(pixels, { cx, cy, radius });
    const rings = new Float64Array(radius + 1);
    const areas = new Float64Array(radius + 1);
    let outside = 0;
    let outsideArea = 0;
    for (let j = 0; j < size; j++) {
      for (let i = 0; i < size; i++) {
        const distance = Math.hypot(cx - radius + i - peak.x, cy - radius + j - peak.y);
        const value = excess[j * size + i]!;
        if (distance <= radius - 3) {
          rings[Math.floor(distance)]! += value;
          areas[Math.floor(distance)]! += 1;
        } else if (value < 4 * noise) {
          outside += value;
          outsideArea++;
        }
      }
    }
    // Noise cut off at black has a mean above its median: the surroundings' mean is the level to measure from.
    const level = outsideArea > 0 ? outside / outsideArea : 0;
    for (let r = 0; r < rings.length; r++) rings[r]! -= level * areas[r]!;
    let total = 0;
    for (const ring of rings) total += ring;
    if (!(total > 0)) continue;
    let inside = 0;
    for (let r = 0; r < rings.length; r++) {
      const next = inside + rings[r]!;
      if (next >= total / 2) {
        diameters.push(2 * (r + (total / 2 - inside) / (rings[r]! || 1)));
        break;
      }
      inside = next;
    }
  }
  return diameters.length >= 3 ? median(diameters) : undefined;
}
