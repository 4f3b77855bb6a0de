/** A look: how the linear stack becomes a picture. Every field has a unit and an effect. */
export interface Look {
  readonly name: string;
  /** Level of the blank sky in the finished picture, 0..1 of sRGB. */
  readonly skyLevel: number;
  /** asinh softening: larger shows fainter light and compresses bright stars more; 1..1000. */
  readonly stretch: number;
  /** Chroma multiplier, 1 = as recorded. */
  readonly saturation: number;
  /** Share of the measured smooth sky gradient taken off, 0..1; 0 leaves data untouched. */
  readonly gradient: number;
  /** Share of the background's colour cast taken off, 0..1. */
  readonly neutralize: number;
  /** Land brightness against the sky stretch, 1 = same stretch. */
  readonly landLift: number;
  /** Strength of the noise smoothing in dark areas, 0..1. */
  readonly smoothing: number;
}
