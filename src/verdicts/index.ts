export { altitudeAt, zenithInCamera } from './altitude.js';
export * from './dew.js';
export * from './judge.js';
export * from './limits.js';
export * from './shape.js';
export * from './transparency.js';
export type * from './types.js';
export * from './weigh-stars.js';
export { INTEREST_RADIUS, spokenName, type ZoneOfInterest, zoneOfInterest } from './zone-of-interest.js';
