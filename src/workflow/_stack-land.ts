import { type ColorImage, InputError, type Mask, type Plane } from '../core/index.js';
import {
  type CombineMethod,
  evenEdgeColor,
  makeStackPlan,
  refineLandMask,
  shareFromPicture,
} from '../stacking/index.js';
import { loadMask } from './_run-folder.js';
import type { RunWork } from './_stack-config.js';
import type { Member, Weighted } from './_stack-members.js';
import { stackPixels } from './_tiles.js';

export interface LandLayer {
  readonly image: ColorImage;
  readonly mask: Mask;
  readonly share: Plane;
  readonly frames: number;
  /** What is to be said of where it comes from. */
  readonly note?: string;
}

/** Stacks the land from the longest stretch between knocks and finds its edge on it. */
export async function landOf(
  work: RunWork,
  shared: Omit<Parameters<typeof makeStackPlan>[0], 'frames'> & { readonly method: CombineMethod },
  frames: readonly Weighted[],
  members: readonly Member[],
  options: { readonly scratch: Readonly<Record<string, string>>; readonly memoryBytes: number },
  firstMask: Mask | undefined,
  reference: Member,
): Promise<LandLayer | undefined> {
  const { context, pool, config } = work;
  if (config.land === 'none' || (!firstMask && !config.mask && config.land !== 'only')) return undefined;
  const counts = new Map<number, number>();
  for (const member of members) counts.set(member.segment, (counts.get(member.segment) ?? 0) + 1);
  // The reference's own framing counts double: its land needs no moving at all.
  const score = (segment: number) => counts.get(segment)! * (segment === reference.segment ? 2 : 1);
  const segment = [...counts.keys()].reduce((best, other) => (score(other) > score(best) ? other : best));
  const used = frames.filter(({ member }) => member.segment === segment);
  const { method, ...rest } = shared;
  const plan = makeStackPlan({
    ...rest,
    frames: used.map(({ frame }) => frame),
    land: { method: used.length >= 4 ? method : 'mean' },
  });
  const image = await stackPixels(context, pool, plan, {
    ...options,
    layer: 'land',
    task: 'stacking the land',
  });
  if (config.mask) {
    const own = await loadMask(config.mask);
    if (!own) {
      throw new InputError(
        'VALUE_NOT_UNDERSTOOD',
        `Expected a picture as land mask in ${config.mask} but could not read it.`,
      );
    }
    const picture = { width: own.width, height: own.height, data: Float32Array.from(own.data) };
    return withEdge(
      { image, ...shareFromPicture(picture, rest), frames: used.length },
      rest.cfa !== undefined,
    );
  }
  const first = firstMask ?? {
    width: rest.width,
    height: rest.height,
    data: new Uint8Array(rest.width * rest.height),
  };
  return withEdge({ image, ...refineLandMask(first, image), frames: used.length }, rest.cfa !== undefined);
}

/** A land stack that came from a colour filter has false colour along its edge evened out. */
function withEdge(land: LandLayer, isMosaic: boolean): LandLayer {
  if (isMosaic) evenEdgeColor(land.image, land.mask);
  return land;
}
