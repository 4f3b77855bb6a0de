import { beforeAll, describe, expect, it } from 'vitest';
import { readPixels } from '../../src/frames/index.js';
import { hasReal, readReal, realFiles, useRawDecoder, WITHOUT_REAL } from './_support.js';

beforeAll(useRawDecoder);

describe('the RAW decoder', () => {
  it.skipIf(!hasReal)(
    `reads on after files that it gave up on (L10)${hasReal ? '' : `: ${WITHOUT_REAL}`}`,
    {
      timeout: 60_000,
    },
    async () => {
      const [first] = realFiles('raw/whole').filter((path) => /\.crw$/i.test(path));
      const sound = await readPixels(readReal(first!), first!);
      for (const path of [...realFiles('raw/cut'), ...realFiles('raw/malformed')]) {
        await readPixels(readReal(path), path).catch(() => undefined);
      }
      expect((await readPixels(readReal(first!), first!)).data).toEqual(sound.data);
    },
  );
});
