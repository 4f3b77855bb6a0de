export * from './glimpse.js';
export * from './group-frames.js';
export * from './match-masters.js';
export * from './types.js';
