import { existsSync } from 'node:fs';
import { createRequire } from 'node:module';
import { type Browser, chromium } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { reportPage } from '../../src/report/index.js';
import { badNight, goodNight } from './_night.js';
import { crowdedCard, fieldCard, hostileNight, twoNights } from './_pages.js';

/** A browser of the system; NIGHTCAIRN_BROWSER names another. */
const BROWSER = [process.env.NIGHTCAIRN_BROWSER, '/usr/bin/chromium', '/usr/bin/chromium-browser'].find(
  (path) => path !== undefined && existsSync(path),
);
const AXE = createRequire(import.meta.url).resolve('axe-core/axe.min.js');

/** What axe-core calls serious or critical. */
interface Fault {
  readonly id: string;
  readonly impact: string;
  readonly nodes: readonly { readonly html: string }[];
}

describe.skipIf(BROWSER === undefined)('the pages in a browser (skipped where there is no Chromium)', () => {
  let browser: Browser;
  beforeAll(async () => {
    browser = await chromium.launch({ executablePath: BROWSER!, args: ['--no-sandbox'] });
  });
  afterAll(() => browser?.close());

  const pages: readonly (readonly [string, () => string])[] = [
    ['a good night', () => reportPage(goodNight())],
    ['a bad night', () => reportPage(badNight())],
    ['two nights', twoNights],
    ['hostile files', hostileNight],
    ['a field card', fieldCard],
  ];
  const looks = [
    { name: 'wide', width: 1280, colorScheme: 'light' },
    { name: 'phone', width: 390, colorScheme: 'light' },
    { name: 'dark', width: 1280, colorScheme: 'dark' },
  ] as const;

  it('a field card with every line prints on one page', { timeout: 60_000 }, async () => {
    const page = await browser.newPage();
    await page.setContent(crowdedCard(), { waitUntil: 'load' });
    const pdf = (await page.pdf({ preferCSSPageSize: true })).toString('latin1');
    expect(pdf.match(/\/Type\s*\/Page\b/g)).toHaveLength(1);
    await page.close();
  });

  it.each(pages)(
    '%s: no serious fault, nothing wider than the screen, no script run, no request sent',
    {
      timeout: 120_000,
    },
    async (_, make) => {
      const html = make();
      for (const { name, width, colorScheme } of looks) {
        const context = await browser.newContext({ viewport: { width, height: 900 }, colorScheme });
        const page = await context.newPage();
        const asked: string[] = [];
        const dialogs: string[] = [];
        page.on('request', (request) => {
          if (/^https?:/.test(request.url())) asked.push(request.url());
        });
        page.on('dialog', (dialog) => {
          dialogs.push(dialog.message());
          return dialog.dismiss();
        });
        await page.setContent(html, { waitUntil: 'load' });
        const overflow = await page.evaluate('document.documentElement.scrollWidth - window.innerWidth');
        await page.addScriptTag({ path: AXE });
        const faults = (await page.evaluate(
          "axe.run(document, { resultTypes: ['violations'] }).then(({ violations }) => violations.map(({ id, impact, nodes }) => ({ id, impact, nodes: nodes.map(({ html }) => ({ html: html.slice(0, 160) })) })))",
        )) as Fault[];
        expect(
          faults.filter(({ impact }) => impact === 'serious' || impact === 'critical'),
          `${name}`,
        ).toEqual([]);
        expect(overflow, `${name}: px wider than the screen`).toBeLessThanOrEqual(0);
        expect([asked, dialogs]).toEqual([[], []]);
        await context.close();
      }
    },
  );
});
