import fc from 'fast-check';

/**
 * One fixed seed for every property, so that a run can be repeated and CI never depends on luck.
 * `NIGHTCAIRN_SEED=n` tries another; the soak before a release walks many of them.
 */
const seed = Number(process.env.NIGHTCAIRN_SEED ?? 20261125);
if (!Number.isInteger(seed)) throw new Error('Expected NIGHTCAIRN_SEED to be a whole number, received text.');
fc.configureGlobal({ ...fc.readConfigureGlobal(), seed });
