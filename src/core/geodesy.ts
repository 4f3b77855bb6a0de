/** Mean radius of the Earth, km. @source IUGG mean radius R1. */
export const EARTH_RADIUS_KM = 6371.0088;

/** Great-circle distance over ground, km, within 0.6 % of the ellipsoid's. @source haversine formula, R. W. Sinnott, Sky & Telescope 68 (1984) 159. */
export function distanceKm(
  a: { readonly latitude: number; readonly longitude: number },
  b: { readonly latitude: number; readonly longitude: number },
): number {
  const rad = Math.PI / 180;
  const h =
    Math.sin(((b.latitude - a.latitude) * rad) / 2) ** 2 +
    Math.cos(a.latitude * rad) *
      Math.cos(b.latitude * rad) *
      Math.sin(((b.longitude - a.longitude) * rad) / 2) ** 2;
  return 2 * EARTH_RADIUS_KM * Math.asin(Math.min(1, Math.sqrt(h)));
}
