import tzLookup from '@photostructure/tz-lookup';
import { checkRange } from './_check.js';

/**
 * The IANA time zone at a position (at sea the nautical zone).
 * @throws {InputError} VALUE_OUT_OF_RANGE outside latitude -90..90 or longitude -180..180
 */
export function zoneAt(latitude: number, longitude: number): string {
  checkRange('a latitude', latitude, { min: -90, max: 90, unit: 'deg' });
  checkRange('a longitude', longitude, { min: -180, max: 180, unit: 'deg' });
  return tzLookup(latitude, longitude);
}
