export * from './context.js';
export * from './plan.js';
export * from './show.js';
