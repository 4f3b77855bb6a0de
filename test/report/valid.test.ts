import { HtmlValidate } from 'html-validate';
import { describe, expect, it } from 'vitest';
import { reportPage } from '../../src/report/index.js';
import { badNight, goodNight } from './_night.js';
import { fieldCard, hostileNight, twoNights } from './_pages.js';

/** The rules of the HTML standard and of good markup, none left out. */
const validator = new HtmlValidate({ root: true, extends: ['html-validate:standard', 'html-validate:a11y'] });

describe('the page', () => {
  const pages: readonly (readonly [string, () => string])[] = [
    ['of a good night', () => reportPage(goodNight())],
    ['of a bad night', () => reportPage(badNight())],
    ['of two nights beside each other', twoNights],
    ['of a night whose files are hostile', hostileNight],
    ['to take along', fieldCard],
  ];

  it.each(pages)('%s is valid HTML by an outside validator', async (_, make) => {
    const report = await validator.validateString(make());
    expect(
      report.results.flatMap(({ messages }) =>
        messages.map(({ ruleId, line, message }) => `${line}: ${ruleId}: ${message}`),
      ),
    ).toEqual([]);
  });
});
