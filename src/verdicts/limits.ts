import type { VerdictLimits } from './types.js';

/**
 * The scale of DEVELOPERS.md. Transparency, fwhm and extra trail are the project's own scale; the glare factors
 * were chosen between the scatter of clear frames (2 % in sky level, 10 % in land level) and headlights (over 60 %).
 */
export const DEFAULT_LIMITS: VerdictLimits = {
  dropTransparency: 0.72,
  doubtTransparency: 0.93,
  dropFwhmRatio: 1.6,
  doubtFwhmRatio: 1.2,
  extraTrail: 2.5,
  extraTrailFwhm: 1,
  glareSky: 1.12,
  glareLand: 1.5,
  twilightAltitude: -18,
  minStars: 8,
};
