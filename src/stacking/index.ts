export { type DemosaicMethod, type DemosaicOptions, demosaic, demosaicInto, isBayer } from './demosaic.js';
export { type PackRange, pack, packRange, unpack } from './pack.js';
export * from './stack-plan.js';
export {
  type LayerResult,
  type ReadCrop,
  stackTile,
  type TileResult,
  tileTransfer,
} from './stack-tile.js';
export * from './tiles.js';
export * from './types.js';
