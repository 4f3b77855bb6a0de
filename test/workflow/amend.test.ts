import { readFileSync, renameSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import {
  alignmentOf,
  framesOf,
  type Library,
  openLibrary,
  saveAlignment,
  saveMeasurement,
  savePlan,
  saveStack,
  sequencesOf,
  session,
  sessions,
  stacksOf,
} from '../../src/library/index.js';
import { amend } from '../../src/workflow/amend.js';
import { check } from '../../src/workflow/check.js';
import { chooseRole, drop, keep, undecide } from '../../src/workflow/decide.js';
import { importCard } from '../../src/workflow/import.js';
import { search, searchFor } from '../../src/workflow/search.js';
import { addSite, listSites } from '../../src/workflow/sites.js';
import { filesBelow, frameBytes, makeCard, put, scratch, sha, wallAt } from '../library/_card.js';
import { contextOf, fakeTools } from './_fake-intake.js';

const ID = '2026-08-13-sandpiper-flat';

async function imported(count = 4) {
  const base = scratch();
  const dir = join(base, 'library');
  const card = join(base, 'card');
  makeCard(card, count);
  const context = contextOf(dir);
  await importCard(
    context,
    { card, site: 'Sandpiper Flat', at: { latitude: -31.25, longitude: 20.5 } },
    fakeTools,
  );
  return { base, dir, card, context };
}

function using<T>(dir: string, work: (library: Library) => T, mode: 'read' | 'write' = 'read'): T {
  const library = openLibrary(dir, { mode });
  try {
    return work(library);
  } finally {
    library.close();
  }
}

const startOf = (dir: string, id = `${ID}/1`) =>
  new Date(using(dir, (library) => sequencesOf(library, id.split('/')[0]!)[0]!.startMs!)).toISOString();

describe('amend', () => {
  it('works instants out again from clock offset and zone, and leaves the originals alone (P53, P54)', async () => {
    const { dir, context } = await imported();
    const before = filesBelow(dir);
    const result = await amend(context, 'latest', { clockOffset: 3600 }, fakeTools);
    expect(result).toMatchObject({
      skyChanged: true,
      alsoChanged: [],
      session: { id: ID, clockOffset: 3600 },
    });
    expect(startOf(dir)).toBe('2026-08-13T21:00:00.000Z'); // 22:00 at UTC+2, an hour later
    await amend(context, ID, { zone: 'UTC' }, fakeTools);
    expect(startOf(dir)).toBe('2026-08-13T23:00:00.000Z');
    await amend(context, ID, { clockOffset: 0, body: 'Skua 7' }, fakeTools);
    expect(startOf(dir)).toBe('2026-08-13T22:00:00.000Z');
    expect(filesBelow(dir)).toEqual(before);
    expect((await check(context)).sound).toBe(true);
  });

  it('names a site that was not named, keeping id and folder', async () => {
    const base = scratch();
    const context = contextOf(join(base, 'library'));
    makeCard(join(base, 'card'), 2);
    const first = await importCard(context, { card: join(base, 'card'), zone: 'UTC' }, fakeTools);
    expect(first.session!.site).toBeUndefined();
    const result = await amend(
      context,
      '2026-08-13',
      { site: 'Far Hill', at: { latitude: -31, longitude: 20 } },
      fakeTools,
    );
    expect(result.session).toMatchObject({
      id: first.session!.id,
      site: { name: 'Far Hill' },
      zone: 'Africa/Johannesburg',
    });
    expect(result.sequences[0]!.moonlight).toBeDefined();
    // A later card of that night still joins it.
    put(
      join(base, 'more', 'x.DNG'),
      frameBytes({ wallTime: wallAt(9), exposureTime: 10, iso: 3200, camera: 'Skua 7' }, 5),
    );
    const more = await importCard(context, { card: join(base, 'more') }, fakeTools);
    expect(more.sessions.map(({ id }) => id)).toEqual([first.session!.id]);
  });

  it('takes a site that gets its position for another sky, said to amend or to the site before', async () => {
    const place = { latitude: -31, longitude: 20 };
    for (const said of ['amend', 'site']) {
      const base = scratch();
      const context = contextOf(join(base, 'library'));
      makeCard(join(base, 'card'), 2);
      await importCard(context, { card: join(base, 'card'), zone: 'UTC', site: 'Far Hill' }, fakeTools);
      expect(await amend(context, 'latest', {}, fakeTools)).toMatchObject({ skyChanged: false });
      if (said === 'site') await addSite(context, { name: 'Far Hill', at: place });
      const result = await amend(
        context,
        'latest',
        said === 'amend' ? { site: 'Far Hill', at: place } : {},
        fakeTools,
      );
      expect(result.skyChanged).toBe(true);
      expect(result.sequences[0]!.moonlight).toBeDefined();
      // The zone follows where the place was said with the correction; else a zone that was named stays.
      expect(result.session.zone).toBe(said === 'amend' ? 'Africa/Johannesburg' : 'UTC');
      expect(await amend(context, 'latest', {}, fakeTools)).toMatchObject({ skyChanged: false });
    }
  });

  it('moves frames to the night that a corrected clock says, files and all', async () => {
    const { dir, context } = await imported();
    const result = await amend(context, ID, { clockOffset: 86_400 }, fakeTools);
    expect(result.session).toMatchObject({ id: ID, night: '2026-08-14' });
    // Half of the frames now fall before noon, half after: two nights.
    const split = await amend(context, ID, { clockOffset: 14 * 3600 - 18 }, fakeTools);
    const all = using(dir, sessions);
    expect(all.map(({ night, frameCount }) => [night, frameCount]).sort()).toEqual([
      ['2026-08-13', 2],
      ['2026-08-14', 2],
    ]);
    expect(split.alsoChanged).toHaveLength(1);
    expect(await check(context)).toMatchObject({ sound: true, unknown: [], filesChecked: 4 });
    const other = all.find(({ id }) => id !== ID)!;
    expect(using(dir, (library) => framesOf(library, other.id)[0]!.files[0]!.path)).toContain(other.folder);
    // And back again: the other session is joined and its emptied row goes away.
    await amend(context, other.id, { clockOffset: 0 }, fakeTools);
    await amend(context, using(dir, sessions)[0]!.id, { clockOffset: 0 }, fakeTools);
    expect(using(dir, sessions).map(({ frameCount }) => frameCount)).toEqual([4]);
    expect((await check(context)).sound).toBe(true);
  });

  it('keeps notes, tags and plan, and finds the session by them (P58)', async () => {
    const { dir, context } = await imported();
    const plan = using(dir, (library) => savePlan(library, { night: '2026-08-13', target: 'core' }), 'write');
    const result = await amend(
      context,
      ID,
      { notes: 'Owl called all night', tags: ['Winter', 'winter'], planId: plan.id },
      fakeTools,
    );
    expect(result).toMatchObject({
      notes: 'Owl called all night',
      tags: ['winter'],
      session: { planId: plan.id },
      skyChanged: false,
    });
    expect(searchFor(context, { text: 'owl', tags: ['WINTER'], hasPlan: true, target: 'core' }).count).toBe(
      1,
    );
    await amend(context, ID, { notes: '', tags: [] }, fakeTools);
    expect(searchFor(context, { text: 'owl' }).count).toBe(0);
  });

  it('looks for the plan again when the night changes; a plan that was named stays', async () => {
    const { dir, context } = await imported();
    const plans = using(
      dir,
      (library) => ['2026-08-13', '2026-08-14', '2026-09-01'].map((night) => savePlan(library, { night })),
      'write',
    );
    const planId = () => using(dir, (library) => session(library, ID)?.planId);
    await amend(context, ID, {}, fakeTools);
    expect(planId()).toBe(plans[0]!.id); // the only one written for that night
    await amend(context, ID, { clockOffset: 86_400 }, fakeTools);
    expect(planId()).toBe(plans[1]!.id);
    await amend(context, ID, { planId: plans[2]!.id }, fakeTools);
    await amend(context, ID, { clockOffset: 0 }, fakeTools);
    expect(planId()).toBe(plans[2]!.id);
  });

  it('refuses unknown sessions, plans and zones', async () => {
    const { context } = await imported(1);
    await expect(amend(context, 'never', {}, fakeTools)).rejects.toMatchObject({ code: 'UNKNOWN_ID' });
    await expect(amend(context, ID, { planId: 'x' }, fakeTools)).rejects.toMatchObject({
      code: 'UNKNOWN_ID',
    });
    await expect(amend(context, ID, { zone: 'Mars/Base' }, fakeTools)).rejects.toMatchObject({
      name: 'InputError',
    });
    await expect(amend(context, ID, { clockOffset: Number.NaN }, fakeTools)).rejects.toMatchObject({
      name: 'InputError',
    });
  });
});

describe('keep, drop and undecide', () => {
  it('outrank what is measured, now and later, until taken back', async () => {
    const { dir, context } = await imported();
    const ids = using(dir, (library) => framesOf(library, ID).map(({ id }) => id));
    const verdicts = () =>
      using(dir, (library) =>
        framesOf(library, ID).map(({ measurement }) => [measurement?.verdict, measurement?.verdictBy]),
      );
    const counts = () =>
      using(dir, (library) => {
        const { kept, doubtful, dropped, totalExposure } = sequencesOf(library, ID)[0]!;
        return [kept, doubtful, dropped, totalExposure];
      });
    const measure = (verdict: 'keep' | 'drop') =>
      using(
        dir,
        (library) => {
          for (const id of ids) saveMeasurement(library, id, { verdict, fwhm: 2.5, reasons: [] });
        },
        'write',
      );
    measure('keep');
    expect(counts()).toEqual([4, 0, 0, 40]); // s: four frames of 10 s
    expect(drop(context, [ids[0]!, 'NGT_0002.DNG', `ngt_0003.dng@${ID}`, ids[3]!.slice(0, 8)])).toMatchObject(
      { frameIds: ids, sequenceIds: [`${ID}/1`] },
    );
    expect(counts()).toEqual([0, 0, 4, 0]);
    measure('keep');
    expect(verdicts()).toEqual(ids.map(() => ['drop', 'person']));
    undecide(context, ids);
    expect(verdicts()).toEqual(ids.map(() => ['keep', 'measured']));
    keep(context, [ids[1]!]);
    measure('drop');
    expect(verdicts().map(([verdict]) => verdict)).toEqual(['drop', 'keep', 'drop', 'drop']);
    expect(() => keep(context, [ids[0]!, 'nothing'])).toThrow(
      expect.objectContaining({ code: 'UNKNOWN_ID' }),
    );
    expect(() => drop(context, ['%'])).toThrow(expect.objectContaining({ code: 'UNKNOWN_ID' }));
  });

  it('remember a role chosen by hand through regrouping and later imports', async () => {
    const { base, dir, context } = await imported();
    const [changed] = await chooseRole(context, ['NGT_0001.DNG'], 'test', fakeTools);
    expect(changed!.sequences.map(({ id, role, frameCount }) => [id, role, frameCount]).sort()).toEqual([
      [`${ID}/1`, 'light', 3],
      [`${ID}/2`, 'test', 1],
    ]);
    put(
      join(base, 'more', 'x.DNG'),
      frameBytes({ wallTime: wallAt(9), exposureTime: 10, iso: 3200, camera: 'Skua 7' }, 5),
    );
    await importCard(context, { card: join(base, 'more') }, fakeTools);
    expect(
      using(dir, (library) => sequencesOf(library, ID))
        .map(({ id, role, frameCount }) => [id, role, frameCount])
        .sort(),
    ).toEqual([
      [`${ID}/1`, 'light', 4],
      [`${ID}/2`, 'test', 1],
    ]);
    await chooseRole(context, ['NGT_0001.DNG'], undefined, fakeTools);
    expect(using(dir, (library) => sequencesOf(library, ID)).map(({ frameCount }) => frameCount)).toEqual([
      5,
    ]);
  });

  it('make a stack stale that was made before a person kept or dropped frames', async () => {
    const { dir, context } = await imported();
    const save = () =>
      using(
        dir,
        (library) =>
          saveStack(library, { sequenceId: `${ID}/1`, folder: 'nights/x/stacks/a', framesUsed: 4, body: {} }),
        'write',
      );
    const stale = () => using(dir, (library) => stacksOf(library, ID)).map((stack) => stack.stale);
    expect(drop(context, ['NGT_0002.DNG']).staleStacks).toEqual([]);
    for (const choice of [drop, keep, undecide]) {
      save();
      expect(stale()).toEqual([false]);
      expect(choice(context, ['NGT_0002.DNG']).staleStacks).toEqual([`${ID}/1`]);
      expect(stale()).toEqual([true]);
    }
  });

  it('leave a stack stale when a second judging drops other frames, and only then', async () => {
    const { dir } = await imported();
    const ids = using(dir, (library) => framesOf(library, ID).map(({ id }) => id));
    const judge = (verdict: 'keep' | 'doubt' | 'drop') =>
      using(dir, (library) => saveMeasurement(library, ids[1]!, { verdict, reasons: [] }), 'write');
    const stale = () => using(dir, (library) => stacksOf(library, ID)).map((stack) => stack.stale);
    judge('keep');
    using(
      dir,
      (library) =>
        saveStack(library, { sequenceId: `${ID}/1`, folder: 'nights/x/stacks/a', framesUsed: 4, body: {} }),
      'write',
    );
    judge('doubt'); // stacked all the same
    expect(stale()).toEqual([false]);
    judge('drop');
    expect(stale()).toEqual([true]);
  });

  it('say what a whole card or a whole run is for, and take it back (P13)', async () => {
    const { base, dir, context } = await imported();
    const roles = () =>
      using(dir, (library) => sequencesOf(library, ID))
        .filter(({ frameCount }) => frameCount > 0)
        .map(({ role, frameCount }) => `${frameCount} ${role}`)
        .sort();
    put(
      join(base, 'capped', 'x.DNG'),
      frameBytes({ wallTime: wallAt(9), exposureTime: 10, iso: 3200, camera: 'Skua 7' }, 5),
    );
    await importCard(context, { card: join(base, 'capped'), role: 'dark' }, fakeTools);
    expect(roles()).toEqual(['1 dark', '4 light']);
    // The same card with another word: nothing is copied, the role is.
    const again = await importCard(context, { card: join(base, 'capped'), role: 'flat' }, fakeTools);
    expect(again.import.copied).toBe(0);
    expect(roles()).toEqual(['1 flat', '4 light']);
    const flat = using(dir, (library) => sequencesOf(library, ID)).find(
      ({ role, frameCount }) => role === 'flat' && frameCount > 0,
    )!;
    await chooseRole(context, [flat.id], undefined, fakeTools);
    expect(roles()).toEqual(['5 light']);
  });

  it('mark what was made from other frames as stale', async () => {
    const { base, dir, context } = await imported();
    using(
      dir,
      (library) => {
        saveAlignment(library, `${ID}/1`, { rms: 0.02 });
        saveStack(library, {
          sequenceId: `${ID}/1`,
          folder: 'nights/x/stacks/a',
          framesUsed: 4,
          body: { files: { pictureJpeg: 'nights/x/stacks/a/picture.jpg' } },
        });
      },
      'write',
    );
    expect(using(dir, (library) => alignmentOf(library, `${ID}/1`))).toEqual({ rms: 0.02 });
    expect(search(context, { hasStack: true }).sessions[0]!.match.picture).toBe(
      join(dir, 'nights/x/stacks/a/picture.jpg'),
    );
    put(
      join(base, 'more', 'x.DNG'),
      frameBytes({ wallTime: wallAt(9), exposureTime: 10, iso: 3200, camera: 'Skua 7' }, 5),
    );
    await importCard(context, { card: join(base, 'more') }, fakeTools);
    expect(using(dir, (library) => alignmentOf(library, `${ID}/1`))).toBeUndefined();
    expect(using(dir, (library) => stacksOf(library, ID))).toMatchObject([{ stale: true, framesUsed: 4 }]);
  });
});

describe('check', () => {
  it('finds missing, changed and unknown files, and links moved ones again', async () => {
    const { dir, context } = await imported();
    const frames = join(dir, 'nights', '2026-08-13 sandpiper-flat', 'frames');
    const original = sha(readFileSync(join(frames, 'NGT_0001.DNG')));
    renameSync(join(frames, 'NGT_0001.DNG'), join(frames, 'my favourite.DNG'));
    const bytes = readFileSync(join(frames, 'NGT_0002.DNG'));
    bytes[1000]! ^= 1;
    writeFileSync(join(frames, 'NGT_0002.DNG'), bytes);
    rmSync(join(frames, 'NGT_0003.DNG'));
    writeFileSync(join(frames, 'stranger.txt'), 'x');
    const found = await check(context);
    expect(found.sound).toBe(false);
    expect(found.missing.map(({ path }) => path.split('/').at(-1))).toEqual(['NGT_0001.DNG', 'NGT_0003.DNG']);
    expect(found.changed.map(({ path }) => path.split('/').at(-1))).toEqual(['NGT_0002.DNG']);
    expect(found.unknown.map(({ path }) => path.split('/').at(-1))).toEqual([
      'my favourite.DNG',
      'stranger.txt',
    ]);
    const repaired = await check(context, { repair: true });
    expect(repaired.relinked.map(({ to }) => to.split('/').at(-1))).toEqual(['my favourite.DNG']);
    expect(repaired.missing).toHaveLength(1);
    const frame = using(dir, (library) => framesOf(library, ID)[0]!);
    expect(frame.files[0]!.path).toContain('my favourite.DNG');
    expect(frame.files[0]!.sha256).toBe(original);
    expect((await check(context)).missing).toHaveLength(1);
  });

  it('is content with an empty library and stops on request', async () => {
    const context = contextOf(join(scratch(), 'none'));
    expect(await check(context)).toMatchObject({ sound: true, filesChecked: 0, decoder: [] });
    // What the program can decode is said, with versions (L15, L30).
    expect((await check(context)).decoders).toEqual([
      expect.stringMatching(/^libraw-wasm \d/),
      expect.stringMatching(/^sharp \d.*libvips \d/),
    ]);
    const { dir } = await imported();
    const stop = new AbortController();
    stop.abort();
    await expect(check(contextOf(dir, { signal: stop.signal }))).rejects.toMatchObject({ code: 'CANCELLED' });
  });
});

describe('sites', () => {
  it('look their zone up from the position; the first is the default', async () => {
    const context = contextOf(join(scratch(), 'library'));
    expect(await addSite(context, { name: 'Far Hill', at: { latitude: -31, longitude: 20 } })).toMatchObject({
      zone: 'Africa/Johannesburg',
      isDefault: true,
    });
    await addSite(context, { name: 'Home', zone: 'America/Lima' });
    await addSite(context, { name: 'far hill', skyBrightness: 21.9, notes: 'gate code at the farm' });
    expect(listSites(context)).toMatchObject([
      { name: 'Far Hill', latitude: -31, skyBrightness: 21.9, isDefault: true },
      { name: 'Home', isDefault: false },
    ]);
    for (const bad of [
      { at: { latitude: 95, longitude: 0 } },
      { zone: 'X/Y' },
      { zone: 'UTC', elevation: 20_000 },
      {},
    ]) {
      await expect(addSite(context, { name: 'Bad', ...bad })).rejects.toEqual(
        expect.objectContaining({ name: 'InputError' }),
      );
    }
    expect(listSites(context)).toHaveLength(2);
  });
});

it('shows an amended session as one', async () => {
  const { dir } = await imported(2);
  expect(using(dir, (library) => session(library, ID))).toMatchObject({ frameCount: 2, lightCount: 2 });
});
