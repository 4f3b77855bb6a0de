export { type ExifFields, exifBlock } from './exif-block.js';
export { LINEAR_SRGB_ICC, linearToSrgb, SRGB_ICC, srgbToLinear } from './icc.js';
export { type DngContent, writeDng } from './write-dng.js';
export { type JpegContent, withJpegMetadata, writeJpeg } from './write-jpeg.js';
