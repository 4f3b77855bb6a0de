export * from './context.js';
export { type ImportOptions, type ImportResult, importCard } from './import.js';
export * from './plan.js';
export { search, searchFor } from './search.js';
export * from './show.js';
