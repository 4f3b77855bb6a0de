export { provideRawDecoder, RAW_DECODER } from './_raw-decoder.js';
export { CODEC as PICTURE_DECODER } from './_sharp-pixels.js';
export { CAPABILITIES, type Capability, capabilityTable } from './capabilities.js';
export { type ExifFields, exifBlock } from './exif-block.js';
export { decodeFitsRow, FITS_HEAD_BYTES, type FitsRows, fitsRowAt, fitsRows } from './fits-rows.js';
export { LINEAR_SRGB_ICC, SRGB_ICC } from './icc.js';
export { type ClockReading, instantOf, type WallToUtc } from './instant.js';
export { type RandomRead, readLightMap } from './light-map.js';
export { type PairEntry, pairFiles } from './pair.js';
export {
  FRAME_EXTENSIONS,
  identifyFormat,
  isFrameName,
  type KnownFormat,
  readHeader,
  readPixels,
} from './registry.js';
export { readThumbnail, type Thumbnail } from './thumbnail.js';
export { type DngContent, writeDng } from './write-dng.js';
export { type FitsCard, type FitsContent, fitsCardsOf, fitsParts, writeFits } from './write-fits.js';
export { type JpegContent, withJpegMetadata, writeJpeg } from './write-jpeg.js';
export { type TiffContent, tiffParts, writeTiff } from './write-tiff.js';
export { writeXmp, type XmpFields } from './xmp.js';
