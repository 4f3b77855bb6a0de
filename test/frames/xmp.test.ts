import { describe, expect, it } from 'vitest';
import { readPixels, tiffParts, writeFits, writeTiff, writeXmp } from '../../src/frames/index.js';

describe('writeXmp', () => {
  const packet = writeXmp({ rating: -1, label: 'drop', description: 'Cloud: <60 % & "soft"\u0007.' });

  it("uses the standard's own names and its packet (ISO 16684-1)", () => {
    expect(packet.startsWith('<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>')).toBe(true);
    expect(packet.trimEnd().endsWith('<?xpacket end="w"?>')).toBe(true);
    expect(packet).toContain('xmlns:xmp="http://ns.adobe.com/xap/1.0/"');
    expect(packet).toContain('xmlns:dc="http://purl.org/dc/elements/1.1/"');
    expect(packet).toContain('<xmp:Rating>-1</xmp:Rating>');
    expect(packet).toContain('<xmp:Label>drop</xmp:Label>');
  });

  it('escapes what XML would misread and leaves out what it cannot hold', () => {
    expect(packet).toContain('<rdf:li xml:lang="x-default">Cloud: &lt;60 % &amp; &quot;soft&quot;.</rdf:li>');
  });

  it('says nothing of what is not given', () => {
    expect(writeXmp({ label: 'keep' })).not.toMatch(/Rating|description|subject/);
  });
});

describe('tiffParts', () => {
  const width = 300;
  const height = 200;
  const floats = Float32Array.from({ length: 3 * width * height }, (_, i) => (i % 97) * 10.3 - 20);
  floats[5] = Number.NaN;

  it('gives the bytes of writeTiff piece by piece', () => {
    const content = { width, height, planes: 3, data: floats } as const;
    expect(Buffer.concat([...tiffParts(content)]).equals(Buffer.from(writeTiff(content)))).toBe(true);
  });

  it('writes floats as integers as if they had been turned before', () => {
    const integersPerUnit = 65535 / 700;
    const turned = Uint16Array.from(floats, (value) =>
      value > 0 ? Math.min(65535, Math.floor(value * integersPerUnit + 0.5)) : 0,
    );
    expect(
      Buffer.from(writeTiff({ width, height, planes: 3, data: floats, integersPerUnit })).equals(
        Buffer.from(writeTiff({ width, height, planes: 3, data: turned })),
      ),
    ).toBe(true);
  });

  it('carries an XMP packet in tag 700', () => {
    const xmp = writeXmp({ rating: 3, label: 'keep' });
    const bytes = Buffer.from(writeTiff({ width: 4, height: 2, planes: 1, data: new Uint16Array(8), xmp }));
    expect(bytes.includes(Buffer.from(xmp, 'utf8'))).toBe(true);
    const tags = bytes.readUInt16LE(bytes.readUInt32LE(4));
    const ids = Array.from({ length: tags }, (_, i) =>
      bytes.readUInt16LE(bytes.readUInt32LE(4) + 2 + 12 * i),
    );
    expect(ids).toContain(700);
  });
});

describe('fitsParts', () => {
  it('keeps rows in place where a picture takes several pieces', async () => {
    const [width, height] = [3000, 200];
    const data = Float32Array.from({ length: width * height }, (_, i) => i % 65521);
    const { data: back } = await readPixels(writeFits({ width, height, planes: 1, data }), 'a.fits');
    expect(back.every((value, i) => value === data[i])).toBe(true);
  });
});
