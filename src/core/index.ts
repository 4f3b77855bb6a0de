export * from './error-codes.js';
export * from './errors.js';
export * from './frame.js';
export * from './image.js';
export * from './progress.js';
export * from './star-table.js';
export * from './units.js';
