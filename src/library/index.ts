export type { SequenceContent } from './_save-sequences.js';
export type { SecondReport } from './_second-copy.js';
export { deleteSessionRows, type SessionName } from './_session-rows.js';
export { type AlikeRun, alikeRuns, type Difference } from './alike.js';
export { type Place, removeEmptyFolders, type TransferWork } from './bring-file.js';
export { copyVerified, hashFile, type ReadFacts, SourceError } from './card-copy.js';
export {
  type CopyOptions,
  type CopyReport,
  copyCard,
  setFailure,
} from './card-import.js';
export { type CardContent, type CardFile, scanCard } from './card-scan.js';
export { type CatalogueTable, catalogueTables, csvLine, type Field, jsonLine } from './catalogue-rows.js';
export { type CheckReport, checkLibrary, type Finding } from './check-library.js';
export * from './contract.js';
export { type FileFacts, type FileSystem, nodeFileSystem, type OpenFile } from './file-system.js';
export { findStacks } from './find-stack.js';
export {
  attachmentsOf,
  type FrameContent,
  findFrame,
  frame,
  frameIdsOfFiles,
  framePath,
  framesOf,
  saveFrames,
  setRole,
} from './frames.js';
export {
  type BestNight,
  type BodyStats,
  bestNights,
  bodyStats,
  type LensStats,
  lensStats,
} from './gear-stats.js';
export { loadGlimpse, packGlimpse, saveGlimpse, unpackGlimpse } from './glimpse-file.js';
export { type HoldOptions, holdLibrary } from './holder.js';
export { inTransaction, type Library, type OpenLibraryOptions, openLibrary } from './library.js';
export { type LooseFile, looseFiles, sessionsOfFiles } from './loose-files.js';
export { type MeasurementContent, saveMeasurement, saveMeasurements, setVerdict } from './measurements.js';
export { migrate, SCHEMA_VERSION, schemaVersion } from './migrate.js';
export {
  contentOf,
  finishMoves,
  type NightContent,
  newFrameId,
  removeEmptySession,
  saveAttachments,
  saveNight,
  tidyIncoming,
} from './night-store.js';
export {
  glimpsePath,
  insideLibrary,
  LAYOUT,
  nightFolders,
  safeName,
  slug,
  starTablePath,
  stored,
} from './paths.js';
export type * from './records.js';
export { type RememberedCamera, rememberedCamera } from './remembered-camera.js';
export {
  alignmentOf,
  bodyName,
  hashesOf,
  masters,
  rememberedLens,
  rememberedNoise,
  rememberLens,
  rememberNoise,
  type StackContent,
  saveAlignment,
  saveMaster,
  saveStack,
  stacksOf,
} from './results.js';
export { type SearchMatch, type SearchResult, searchLibrary } from './search.js';
export { parseSearch, type SearchInput, type SearchQuery, SORTS, type Sort } from './search-query.js';
export { searchStatement } from './search-statement.js';
export { parsePosition, parseRange, type Range } from './search-values.js';
export {
  findSequences,
  findSession,
  type MoonFacts,
  newSessionName,
  type SessionContent,
  savePointing,
  saveSession,
  sequence,
  sequencesOf,
  session,
  sessions,
  sessionsOfNight,
} from './sessions.js';
export {
  defaultSite,
  findPlan,
  type PlanContent,
  plan,
  plans,
  plansOfNight,
  renameSite,
  type SiteContent,
  savePlan,
  saveSite,
  siteById,
  siteNamed,
  sites,
} from './sites.js';
export { STATS_BY, type StatsBy, type StatsRow, statsBy } from './stats.js';
export { isMissing, storageError } from './system-errors.js';
export {
  copyTree,
  filesInCommon,
  transferGear,
  transferSession,
  verifySession,
} from './transfer.js';
export { type FramePair, transferAttachments } from './transfer-attachments.js';
export { notesOf, type OwnerKind, setNotes, setTags, tagsOf } from './words.js';
