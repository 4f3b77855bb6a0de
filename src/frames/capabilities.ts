/** What the program does with one kind of file, in the words of the README's table. */
export interface Capability {
  readonly format: string;
  readonly reads: string;
  readonly refuses: string;
  readonly writes: string;
}

/** One row a kind of file. */
export const CAPABILITIES: readonly Capability[] = [
  {
    format: 'RAW of a camera (CR2, CR3, CRW, NEF, ARW, RAF, RW2, ORF, PEF, MRW, IIQ, KDC and others)',
    reads: 'header and mosaic as far as the RAW decoder knows the body; 2x2 and 6x6 filters',
    refuses: 'Sigma X3F; Nikon high-efficiency NEF; filters that are not red, green and blue',
    writes: 'no',
  },
  {
    format: 'DNG',
    reads: 'mosaic and linear; uncompressed, lossless JPEG, Deflate',
    refuses: 'lossy compressed DNG',
    writes: 'mosaic, uncompressed 16-bit',
  },
  {
    format: 'JPEG',
    reads: 'baseline and progressive, gray and RGB, to linear light by profile or sRGB',
    refuses: 'CMYK, lossless and arithmetic coding',
    writes: '8-bit sRGB with EXIF and ICC',
  },
  {
    format: 'TIFF, BigTIFF',
    reads:
      '8, 16, 32-bit integers, 16, 32, 64-bit floats; strips, tiles, chunky, planar; LZW, Deflate, PackBits; predictors 1 to 3',
    refuses: 'palette, CMYK, Lab, JPEG and fax compression',
    writes: '16-bit and 32-bit float, gray and RGB, with EXIF and ICC',
  },
  {
    format: 'PNG',
    reads: '8 and 16 bits, gray, RGB, palette; transparency is dropped',
    refuses: 'nothing else',
    writes: 'no',
  },
  {
    format: 'FITS, also gzip',
    reads: 'every number format; one plane or three; picture extensions',
    refuses: 'tile-compressed pictures, other cubes',
    writes: '32-bit float, one plane or three',
  },
  {
    format: 'HEIC, AVIF, WebP, JPEG XL, JPEG 2000, movies',
    reads: 'no',
    refuses: 'by name, with what to do instead',
    writes: 'no',
  },
];

/** The table as Markdown, for the README. */
export function capabilityTable(): string {
  const rows = CAPABILITIES.map(
    ({ format, reads, refuses, writes }) => `| ${format} | ${reads} | ${refuses} | ${writes} |`,
  );
  return ['| format | read | refused | written |', '|---|---|---|---|', ...rows].join('\n');
}
