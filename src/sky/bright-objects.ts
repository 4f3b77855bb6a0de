import type { Equatorial } from './coordinates.js';

/** An object that a night photographer names: J2000 position in deg. */
export interface BrightObject extends Equatorial {
  readonly name: string;
  readonly aliases: readonly string[];
  readonly kind: 'star' | 'deep-sky';
}

const star = (name: string, rightAscension: number, declination: number): BrightObject => ({
  name,
  rightAscension,
  declination,
  kind: 'star',
  aliases: [],
});

const deep = (
  name: string,
  rightAscension: number,
  declination: number,
  aliases: readonly string[] = [],
): BrightObject => ({ name, rightAscension, declination, kind: 'deep-sky', aliases });

/**
 * Bright stars (also to focus on) and deep-sky objects in the reach of a plain lens.
 * @source positions J2000 from d3-celestial 0.7.35 data (stars: Anderson & Francis XHIP 2012; deep sky:
 * its Messier, NGC/IC and Local Group lists); star names: IAU Working Group on Star Names.
 */
export const BRIGHT_OBJECTS: readonly BrightObject[] = [
  star('Sirius', 101.2872, -16.7161),
  star('Canopus', 95.988, -52.6957),
  star('Rigil Kentaurus', 219.9021, -60.834),
  star('Arcturus', 213.9153, 19.1824),
  star('Vega', 279.2347, 38.7837),
  star('Capella', 79.1723, 45.998),
  star('Rigel', 78.6345, -8.2016),
  star('Procyon', 114.8255, 5.225),
  star('Achernar', 24.4285, -57.2368),
  star('Betelgeuse', 88.7929, 7.4071),
  star('Hadar', 210.9559, -60.373),
  star('Altair', 297.6958, 8.8683),
  star('Acrux', 186.6496, -63.0991),
  star('Aldebaran', 68.9802, 16.5093),
  star('Antares', 247.3519, -26.432),
  star('Spica', 201.2982, -11.1613),
  star('Pollux', 116.329, 28.0262),
  star('Fomalhaut', 344.4127, -29.6222),
  star('Deneb', 310.358, 45.2803),
  star('Mimosa', 191.9303, -59.6888),
  star('Regulus', 152.093, 11.9672),
  star('Adhara', 104.6565, -28.9721),
  star('Castor', 113.6494, 31.8883),
  star('Shaula', 263.4022, -37.1038),
  star('Gacrux', 187.7915, -57.1132),
  star('Bellatrix', 81.2828, 6.3497),
  star('Polaris', 37.9545, 89.2641),
  star('Alnilam', 84.0534, -1.2019),
  star('Nunki', 283.8164, -26.2967),
  star('Kaus Australis', 276.043, -34.3846),
  star('Dubhe', 165.932, 61.751),
  star('Alkaid', 206.8852, 49.3133),
  star('Mirfak', 51.0807, 49.8612),
  star('Alphard', 141.8968, -8.6586),
  star('Hamal', 31.7934, 23.4624),
  star('Albireo', 292.6803, 27.9597),
  star('Sadr', 305.5571, 40.2567),
  star('Alphecca', 233.672, 26.7147),
  star('Peacock', 306.4119, -56.7351),
  star('Alioth', 193.5073, 55.9598),
  star('Alnair', 332.0583, -46.961),
  deep('M4', 245.9, -26.5333),
  deep('Butterfly Cluster', 265.0249, -32.2167, ['M6']),
  deep('Ptolemy Cluster', 268.475, -34.8167, ['M7']),
  deep('Lagoon Nebula', 270.95, -24.3833, ['M8', 'Lagoon']),
  deep('Wild Duck Cluster', 282.775, -6.2667, ['M11']),
  deep('Hercules Cluster', 250.425, 36.4667, ['M13']),
  deep('Eagle Nebula', 274.7, -13.7833, ['M16']),
  deep('Omega Nebula', 275.2, -16.1833, ['M17']),
  deep('Trifid Nebula', 270.6499, -23.0333, ['M20']),
  deep('M22', 279.1001, -23.9),
  deep('Sagittarius Star Cloud', 274.225, -18.4833, ['M24']),
  deep('Andromeda Galaxy', 10.6751, 41.2667, ['M31', 'Andromeda']),
  deep('Triangulum Galaxy', 23.475, 30.65, ['M33']),
  deep('Orion Nebula', 83.85, -5.45, ['M42']),
  deep('Praesepe', 130.025, 19.9833, ['M44', 'Beehive Cluster']),
  deep('Pleiades', 56.75, 24.1167, ['M45']),
  deep('Large Magellanic Cloud', 80.8958, -69.7561, ['LMC']),
  deep('Small Magellanic Cloud', 13.1583, -72.8003, ['SMC']),
  deep('Omega Centauri', 201.697, -47.4795, ['NGC 5139']),
  deep('47 Tucanae', 6.0223, -72.0814, ['NGC 104', '47 Tuc']),
  deep('Carina Nebula', 161.0792, -59.8892, ['NGC 3372', 'Eta Carinae Nebula']),
  deep('Double Cluster', 34.75, 57.128, ['NGC 869']),
  deep('North America Nebula', 314.696, 44.33, ['NGC 7000']),
  deep('Rho Ophiuchi Cloud', 246.5, -23.4, ['IC 4604', 'Rho Ophiuchi']),
  deep('California Nebula', 60.825, 36.422, ['NGC 1499']),
  deep('Rosette Nebula', 97.979, 4.942, ['NGC 2244']),
];
