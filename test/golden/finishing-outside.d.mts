/** True when every tool is there. */
export function haveTools(): boolean;
/** The values of all tools over one stack's folder. */
export function outsideValues(stack: string): Record<string, unknown>;
