import type { Alignment } from '../alignment/index.js';
import { plan } from '../library/index.js';
import { parseTarget } from '../sky/index.js';
import { spokenName, type ZoneOfInterest, zoneOfInterest } from '../verdicts/index.js';
import type { RunWork } from './_measure-work.js';
import type { SkyPointing } from './_sky-pointing.js';

/** The part of the sky that decides, or one sentence that says why it cannot be told. */
export interface InterestFound {
  readonly interest?: ZoneOfInterest;
  readonly remark?: string;
}

/**
 * Finds the target's part of a run's sky, from the target named or the plan's, through where the run's stars
 * say that it points.
 *
 * @param pointing where the run looks; undefined when its stars do not tell
 * @throws {InputError} a target that is none
 */
export function interestOf(
  { library, session, sequence, config }: RunWork,
  alignment: Alignment,
  pointing: SkyPointing | undefined,
): InterestFound {
  if (config.zoneOfInterest !== 'target') return {};
  const record = session.planId === undefined ? undefined : plan(library, session.planId);
  const name = config.target ?? (record && (record.target ?? 'core'));
  if (name === undefined) {
    return {
      remark: `The whole sky decided for ${sequence.id}: the night has no plan that names a target; give one with --target, as in --target core.`,
    };
  }
  const target = parseTarget(name);
  const interest = pointing && zoneOfInterest(alignment, pointing.toCamera, target, config.interestRadius);
  if (interest) return { interest };
  return {
    remark: `The whole sky decided for ${sequence.id}: its stars do not tell where it points, so the place of ${spokenName(target)} in the picture is not known.`,
  };
}
