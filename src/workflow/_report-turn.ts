import type { Sharp } from 'sharp';

/** How to turn a stored picture for viewing: mirror left to right first, then turn clockwise by `angle` deg. */
const TURNS: Readonly<Record<number, { readonly mirror: boolean; readonly angle: number }>> = {
  2: { mirror: true, angle: 0 },
  3: { mirror: false, angle: 180 },
  4: { mirror: true, angle: 180 },
  5: { mirror: true, angle: 270 },
  6: { mirror: false, angle: 90 },
  7: { mirror: true, angle: 90 },
  8: { mirror: false, angle: 270 },
};

/** Turns a picture as its EXIF orientation (1 to 8) asks. @source EXIF 2.32, tag 0x0112 */
export function turned(picture: Sharp, orientation: number | undefined): Sharp {
  const turn = TURNS[orientation ?? 1];
  if (!turn) return picture;
  // The image library mirrors before it turns.
  const mirrored = turn.mirror ? picture.flop() : picture;
  return turn.angle === 0 ? mirrored : mirrored.rotate(turn.angle);
}

/** Where a place of the stored picture is seen: (0, 0) the middle, x right, y down, both -1 to 1. */
export function turnedPlace(
  [x, y]: readonly [number, number],
  orientation: number | undefined,
): readonly [number, number] {
  const turn = TURNS[orientation ?? 1];
  if (!turn) return [x, y];
  let place: readonly [number, number] = [turn.mirror ? -x : x, y];
  for (let angle = 0; angle < turn.angle; angle += 90) place = [-place[1], place[0]];
  return place;
}
