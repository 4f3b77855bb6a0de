export { emptyLayer, placePlanes, placeTile, type StackLayer } from './assemble.js';
export { removeBanding } from './banding.js';
export { bringBack, type Line, lineReach } from './bring-back.js';
export { type CalibrationRecipe, calibrate } from './calibrate.js';

export { type CoarseSky, coarseSky } from './coarse-sky.js';
export { composeLand, type LandChoice } from './compose.js';
export {
  createDefectFinder,
  type DefectFinder,
  type DefectFinderOptions,
  type DefectMap,
  defectsFromDark,
  joinDefects,
  repairDefects,
} from './defects.js';
export { type DemosaicMethod, type DemosaicOptions, demosaic, demosaicInto, isBayer } from './demosaic.js';
export { evenEdgeColor } from './edge-color.js';
export {
  applyFalloff,
  type Falloff,
  falloffGain,
  fitFalloff,
  lensFalloff,
  transmissionAt,
} from './falloff.js';
export {
  growMask,
  type LandMask,
  type LandMaskOptions,
  refineLandMask,
  shareFromPicture,
  softEdge,
} from './land-mask.js';
export { landShift, shiftedBy } from './land-shift.js';
export { FLAT_SURFACE, fitLevel, fitSky, frameWeight, sampleVariance, VARIANCE_KEPT } from './level.js';
export {
  type CalibrationHeader,
  createMaster,
  type Master,
  type MasterBuilder,
  type MasterKind,
  type MasterOptions,
  makeMaster,
  masterNoiseFactor,
} from './master.js';
export { compareMaster, inCameraDark, isUsable, type LightDescription, type Mismatch } from './mismatch.js';
export { evenHalves, idealGain, measureNoiseGain, medianSigma } from './noise.js';
export { type PackRange, pack, packRange, unpack } from './pack.js';
export * from './stack-plan.js';
export {
  type LayerResult,
  type ReadCrop,
  stackTile,
  type TileResult,
  tileTransfer,
} from './stack-tile.js';
export { fitStarFalloff, type StarLight } from './star-falloff.js';
export * from './surface.js';
export * from './tile-task.js';
export * from './tiles.js';
export { bridgeSteps, dimStars, type Taper, taperAt } from './trails.js';
export * from './types.js';
