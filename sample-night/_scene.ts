import type { FrameGeometry } from './_geometry.js';
import type { LandLayer } from './_land.js';
import type { LensGrid } from './_lens-grid.js';
import type { SkyGlow } from './_sky-glow.js';
import type { StarField } from './_star-field.js';
import type { NightScenario, Shot } from './night-scenario.js';

/** What the light of one frame is made from. */
export interface FrameScene {
  readonly scenario: NightScenario;
  readonly shot: Shot;
  readonly geometry: FrameGeometry;
  readonly grid: LensGrid;
  readonly stars: StarField;
  readonly glow: SkyGlow;
  readonly land: LandLayer | undefined;
}

/** Which colour each site of the 2x2 pattern sees: the mosaic's own, or one colour everywhere for the truth pictures. */
export type Sites = readonly [0 | 1 | 2, 0 | 1 | 2, 0 | 1 | 2, 0 | 1 | 2];
export const MOSAIC_SITES: Sites = [0, 1, 1, 2];
