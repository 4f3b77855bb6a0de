import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { makeProgram } from '../src/cli/index.js';
import { ERROR_CODES } from '../src/core/index.js';
import { capabilityTable } from '../src/frames/index.js';

const README = readFileSync(new URL('../README.md', import.meta.url), 'utf8');

describe('the README', () => {
  it('lists every error code with its meaning, and no other', () => {
    const rows = [...README.matchAll(/^\| `([A-Z_]+)` \| (.+) \|$/gm)].map((match) => [match[1]!, match[2]!]);
    expect(Object.fromEntries(rows)).toEqual(ERROR_CODES);
  });

  it('names every command, and no other', () => {
    const table = README.slice(README.indexOf('## The commands'), README.indexOf('### Before the night'));
    const named = [...table.matchAll(/`([a-z]+)[ `]/g)].map((match) => match[1]!);
    const commands = makeProgram().commands.map((command) => command.name());
    for (const command of commands) expect(named, command).toContain(command);
    const first = [...table.matchAll(/^\| `([a-z]+)/gm)].map((match) => match[1]!);
    for (const name of first) expect(commands, name).toContain(name);
  });

  it('gives the two commands that do all there is to do', () => {
    expect(README).toContain('npm ci\nnpm run demo');
    expect(README).toContain('npm ci\nnpm test');
  });
});

describe('the table of formats', () => {
  it('is the one that the readers are held to', () => {
    expect(README).toContain(capabilityTable());
  });
});
