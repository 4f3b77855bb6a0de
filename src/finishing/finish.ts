import { type ColorImage, DataError, makeColorImage, makePlane, srgbDecode } from '../core/index.js';
import { balance } from './_balance.js';
import { gradientCenter, measureLand, measureSky, pixelNoise } from './_levels.js';
import { render } from './_render.js';
import { toneTable } from './_tone.js';
import { cropToCoverage, orientedSize, orientRgb } from './geometry.js';
import { fitSkyGradient, gradientAt, measureSkyMesh, type SkyGradient } from './gradient.js';
import { fitStretch, type Stretch } from './stretch.js';
import type { FinishInput, Look, Picture, Rect } from './types.js';

/** Cells across the short side of the sky mesh: well above star size, well below the band's width. */
const MESH_CELLS = 40;

/** Sky pixels with less than this share of the best coverage are cropped away. */
const COVERAGE_SHARE = 0.5;

/**
 * Turns a linear stack into a picture: crop to coverage, smooth sky gradient off, camera balance and matrix,
 * background made grey, asinh stretch that keeps hue, land lifted by a curve of its own, saturation in Oklab,
 * sRGB, and the turn for viewing last.
 *
 * @returns 16-bit sRGB picture; the stack is not modified
 * @throws {DataError} NO_PIXELS when the stack holds no usable pixel
 * @source stretch: R. H. Lupton et al., PASP 116 (2004) 133; sRGB: IEC 61966-2-1; Oklab: B. Ottosson 2020
 */
export function finishPicture(input: FinishInput, look: Look): Picture {
  const { image, landShare } = input;
  const { width, height } = image;
  const balanced = balance(input);
  const rect = cropToCoverage(width, height, {
    coverage: input.coverage,
    landShare,
    share: COVERAGE_SHARE,
  });
  const cell = Math.max(4, Math.floor(Math.min(rect.width, rect.height) / MESH_CELLS));
  const gradient = fitSkyGradient(
    measureSkyMesh(image, rect, { landShare, cell }),
    rect,
    (input.orientation ?? 1) >= 5 ? 'x' : 'y',
  );
  const centers = [0, 1, 2].map((color) => gradientCenter(gradient, color));
  const noise = pixelNoise(input, balanced, rect);
  const measured = measureSky(input, balanced, rect, gradient, look.gradient, cell);
  const landLevel = measureLand(input, balanced, rect);
  const sky = Number.isFinite(measured.level)
    ? measured
    : { cast: [0, 0, 0] as const, level: landLevel, band: landLevel, dark: landLevel };
  if (!Number.isFinite(sky.level)) {
    throw new DataError('NO_PIXELS', 'Expected a stack with picture data but every pixel is empty.');
  }
  const stretch = fitStretch(
    { sky: sky.level, band: sky.band, noise, white: balanced.clip, dark: sky.dark },
    look,
  );
  const table = toneTable(stretch);
  const landStretch = fitLandStretch(landLevel, stretch, noise, look);
  const landTable = landStretch ? toneTable(landStretch) : table;

  const data = new Uint16Array(3 * rect.width * rect.height);
  const clipped = render(
    {
      input,
      look,
      balanced,
      rect,
      gradient,
      centers,
      noise,
      cast: sky.cast,
      curves: {
        stretch,
        table,
        landStretch: landStretch ?? stretch,
        landTable,
        landCap: srgbDecode(0.85 * look.skyLevel),
      },
    },
    data,
  );
  const orientation = input.orientation ?? 1;
  const [outWidth, outHeight] = orientedSize(rect.width, rect.height, orientation);
  return {
    width: outWidth,
    height: outHeight,
    data: orientRgb(data, rect.width, rect.height, orientation),
    crop: rect,
    sky: { level: sky.level, band: sky.band, noise },
    clippedShare: clipped / (rect.width * rect.height),
    gradient: gradientPicture(gradient, rect, look.gradient),
  };
}

/** A curve for the land that starts at the sensor's black, so that dark ground shows without glowing. */
function fitLandStretch(landLevel: number, sky: Stretch, noise: number, look: Look): Stretch | undefined {
  if (!Number.isFinite(landLevel)) return undefined;
  const level = Math.max(landLevel, 4 * noise, 1e-6);
  return fitStretch(
    { sky: level, band: level * 3, noise: 0, white: sky.white },
    { skyLevel: look.landLevel, bandLevel: Math.min(0.9, look.landLevel * 2.2) },
  );
}

function gradientPicture(gradient: SkyGradient, rect: Rect, share: number): ColorImage {
  const width = 60;
  const height = Math.max(1, Math.round((60 * rect.height) / rect.width));
  const picture = makeColorImage(width, height);
  for (let color = 0; color < 3; color++) {
    const center = gradientCenter(gradient, color);
    const plane = makePlane(width, height);
    for (let y = 0; y < height; y++) {
      for (let x = 0; x < width; x++) {
        const px = rect.x + ((x + 0.5) * rect.width) / width;
        const py = rect.y + ((y + 0.5) * rect.height) / height;
        plane.data[y * width + x] = share * (gradientAt(gradient, color, px, py) - center);
      }
    }
    picture.data.set(plane.data, color * width * height);
  }
  return picture;
}
