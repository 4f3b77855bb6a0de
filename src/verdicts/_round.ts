/** A measured value as a reason tells it. */
export const round = (value: number, digits = 2): number => Number(value.toFixed(digits));
