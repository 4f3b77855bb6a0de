export { MEASURE_DEFAULTS, type MeasureConfig, type MeasuredRun } from './_measure-work.js';
export { STACK_DEFAULTS, type StackConfig, type StackOutcome } from './_stack-config.js';
export { toolVersion } from './_version.js';
export {
  type AmendOptions,
  type AmendResult,
  amend,
  regroup,
} from './amend.js';
export { type CheckOptions, type CheckResult, check } from './check.js';
export * from './context.js';
export { chooseRole, type Decided, describeRun, drop, keep, undecide } from './decide.js';
export {
  EXPORT_DEFAULTS,
  type ExportConfig,
  type ExportedFrame,
  type ExportOutcome,
  exportFrames,
} from './export.js';
export {
  CATALOGUE_FORMATS,
  type CatalogueFormat,
  type ExportedCatalogue,
  exportCatalogue,
} from './export-catalogue.js';
export { writeFieldCard } from './field-card.js';
export {
  type CropChoice,
  FINISH_DEFAULTS,
  type FinishConfig,
  type FinishedPicture,
  finish,
  type LookChange,
} from './finish.js';
export { type Followed, type FollowOptions, followUp } from './follow.js';
export { type ImportOptions, type ImportResult, importCard } from './import.js';
export {
  type MoveResult,
  moveLibrary,
  removeSession,
  restoreSession,
  type TrashedSession,
  trashed,
} from './library-places.js';
export { copyLook, listLooks, lookRow, lookText } from './looks.js';
export { measure } from './measure.js';
export { type MergedSession, type MergeResult, mergeLibraries } from './merge-libraries.js';
export { type NightOptions, type NightResult, night } from './night.js';
export * from './plan.js';
export { REPORT_DEFAULTS, type ReportConfig, type ReportResult, writeReport } from './report.js';
export { type Stats, search, searchAlike, searchFor, stats } from './search.js';
export * from './show.js';
export { addSite, listSites, type SiteOptions } from './sites.js';
export { stack } from './stack.js';
export {
  TRAIL_DEFAULTS,
  type TrailConfig,
  type TrailGaps,
  type TrailOutcome,
  trails,
} from './trails.js';
export {
  type CardHandler,
  mountFolders,
  type WatchOptions,
  type WatchResult,
  type WatchRun,
  watch,
} from './watch.js';
