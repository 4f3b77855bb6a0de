export { estimateBackground } from './background.js';
export { type DefectCollector, defectsOfDark, defectsOfRun } from './defects.js';
export { detectionPlane } from './detection-plane.js';
export { decimate, firstLandMask, type LandMaskInput } from './land-mask.js';
export { measureFrame } from './measure-frame.js';
export { estimateNoise, type NoiseCollector } from './noise-model.js';
export { forcedPhotometry } from './photometry.js';
export { findStreaks } from './streaks.js';
export * from './types.js';
