import { shorten } from './_html.js';
import { nextTime } from './advice.js';
import { compareNights } from './compare.js';
import { planAndFact } from './plan-and-fact.js';
import { atSite, gainOfMore, headline, runEvents, tally, whatMattered } from './summary.js';
import type { ReportData, Told } from './types.js';

/** A night's date as a person writes it. */
export const nightDate = (night: string): string =>
  new Intl.DateTimeFormat('en-GB', { timeZone: 'UTC', dateStyle: 'long' }).format(
    new Date(`${night}T12:00:00Z`),
  );

const titleOf = (data: ReportData): string =>
  shorten(`The night of ${nightDate(data.session.night)}${atSite(data)}`, 160);

/** Works out every sentence and table of the page, so that page and JSON twin say the same. */
export function tell(data: ReportData, other?: ReportData): Told {
  return {
    title: titleOf(data),
    headline: headline(data),
    tally: tally(data),
    matters: whatMattered(data),
    planAndFact: planAndFact(data),
    advice: nextTime(data),
    moreFrames: data.runs.flatMap(({ sequenceId, stack }) =>
      stack ? gainOfMore(stack).map((more) => ({ sequenceId, ...more })) : [],
    ),
    events: data.runs.map((run) => runEvents(run, data.session.site.zone)),
    ...(other ? { compare: { title: titleOf(other), lines: compareNights(data, other) } } : {}),
  };
}
