import { many } from '../core/index.js';
import { fixed } from './_format.js';
import { html, type Markup, shorten } from './_html.js';
import { gridPlot, noisePlot } from './plots.js';
import { gainOfMore } from './summary.js';
import type { ReportAlignment, ReportRun } from './types.js';

const METHOD_WORDS: Readonly<Record<string, string>> = {
  'clipped-mean': 'a mean that leaves out outliers',
  mean: 'a plain mean',
  median: 'a median',
};

/** How a run was stacked, with its maps and files; of a run without a stack only the alignment. `name` tells runs apart. */
export function stackSection(run: ReportRun, name: string): Markup | undefined {
  const { stack, alignment } = run;
  const frame = run.frames.find(({ width, height }) => width !== undefined && height !== undefined);
  const stored = frame ? frame.width! / frame.height! : 1.5;
  const aspect = frame?.sideways ? 1 / stored : stored;
  if (!stack) {
    return alignment ? html`<h3>How it was aligned</h3>${alignmentPart(alignment, aspect)}` : undefined;
  }
  const map = (path: string | undefined, words: string) =>
    path
      ? html`<figure><img src="${path}" alt="${words}" loading="lazy"><figcaption>${words}</figcaption></figure>`
      : undefined;
  return html`<h3>How it was stacked</h3>
<p>${many(stack.framesUsed, 'frame')} went into ${METHOD_WORDS[stack.method] ?? stack.method}; the sky was aligned to the middle of the run${stack.mask === undefined ? '' : ', the land left where it stood'}.
${stack.mastersUsed.length > 0 ? ` Calibrated with ${stack.mastersUsed.map((text) => shorten(text, 200).replace(/\.$/, '')).join('; ')}.` : stack.notes.some((note) => note.includes('darks')) ? undefined : ' No darks were used: defects were found from the run itself, since they stay put while the stars move.'}
${stack.rejectedShare === undefined ? undefined : ` ${fixed(100 * stack.rejectedShare, 2)} % of all samples were left out as outliers.`}</p>
${stack.notes.map((note) => html`<p class="soft">${shorten(note, 300)}</p>`)}
${stack.noise && stack.framesUsed > 1 ? html`<section class="plots" tabindex="0" aria-label="${name}: noise against number of frames">${noisePlot({ frames: stack.framesUsed, gain: stack.noise.gain, ideal: stack.noise.ideal, more: gainOfMore(stack) })}</section>` : undefined}
${alignment ? alignmentPart(alignment, aspect) : undefined}
<div class="maps">
${map(stack.single, 'One single frame with the same finish, for comparison')}
${map(stack.coverage, 'Coverage: the brighter, the more frames behind the sky')}
${map(stack.rejected, 'Where samples were left out: aircraft, satellites, moving stars at the land’s edge')}
${map(stack.mask, 'The land mask: white is land')}
</div>
${
  Object.keys(stack.files).length > 0
    ? html`<h3>Files</h3>
<ul>${Object.entries(stack.files).map(([name, path]) => html`<li><a href="${path}">${FILE_WORDS[name] ?? name}</a></li>`)}</ul>`
    : undefined
}`;
}

function alignmentPart(alignment: ReportAlignment, aspect: number): Markup {
  const scale =
    alignment.plateScale === undefined
      ? ''
      : ` One pixel is ${fixed(alignment.plateScale, 1)} arcsec of sky.`;
  const corner =
    alignment.cornerRms === undefined ? '' : ` (${fixed(alignment.cornerRms, 2)} px in the outer tenth)`;
  const said =
    alignment.rms === undefined
      ? 'The frames could not be aligned to each other.'
      : `Aligned stars lie within ${fixed(alignment.rms, 2)} px of each other${corner} over ${many(alignment.matchedFrames, 'frame')}.${scale}`;
  return html`<p>${said}</p>
${alignment.residuals ? gridPlot({ title: 'What alignment left', unit: 'px rms', map: alignment.residuals, aspect, full: 0.5 }) : undefined}
${alignment.notes.map((note) => html`<p class="soft">${shorten(note, 300)}</p>`)}`;
}

const FILE_WORDS: Readonly<Record<string, string>> = {
  pictureJpeg: 'The picture, JPEG',
  pictureTiff: 'The picture, 16-bit TIFF',
  linearTiff: 'The linear stack, 16-bit TIFF for your editor (dark and flat by nature)',
  fits: 'The linear stack, FITS in floating point',
  sky: 'Only the sky, linear',
  land: 'Only the land, linear',
  mask: 'The land mask',
  coverage: 'The coverage map',
  rejected: 'The map of samples left out',
  recipe: 'The recipe: all settings and inputs',
  facts: 'What the numbers of the linear files mean',
  preview: 'The picture, 2048 px',
  thumbnail: 'The picture, 512 px',
  gradient: 'The glow that was taken off the sky',
  pictureRecipe: 'How the picture was finished',
};
