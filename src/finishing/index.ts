export * from './color.js';
export * from './finish.js';
export * from './geometry.js';
export * from './gradient.js';
export * from './looks.js';
export * from './preview.js';
export * from './stretch.js';
export type * from './types.js';
