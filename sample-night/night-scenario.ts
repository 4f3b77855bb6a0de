import type { Role } from '../src/core/index.js';

/** Where the tripod stands. */
export interface ScenarioSite {
  readonly name: string;
  readonly latitude: number;
  readonly longitude: number;
  readonly altitude: number;
  /** IANA zone and minutes east of UTC, as the camera's clock is set. */
  readonly zone: string;
  readonly utcOffsetMinutes: number;
}

/** The body. Pixels are an RGGB mosaic. */
export interface ScenarioCamera {
  readonly make: string;
  readonly model: string;
  readonly serial: string;
  readonly width: number;
  readonly height: number;
  readonly pixelPitchUm: number;
  /** ADU. */
  readonly blackLevel: number;
  /** Raw ADU, black included, at which a pixel clips. */
  readonly whiteLevel: number;
  /** ISO at which one electron is one ADU; gain = unityIso / iso, e-/ADU. */
  readonly unityIso: number;
  /** e- rms. */
  readonly readNoise: number;
  /** ADU rms of the offset that a whole row shares in one frame. */
  readonly rowNoise: number;
  /** ADU rms of the fixed offset of each column. */
  readonly columnPattern: number;
  /** Share of the photons of the V band that end as electrons of a green pixel (glass, filter, silicon). */
  readonly efficiency: number;
  /** rms of the fixed sensitivity of each pixel. */
  readonly pixelResponse: number;
  /** e-/s at 20 deg C; doubles every 6 deg C. */
  readonly darkCurrent: number;
  /** Number of hot and of cold pixels. */
  readonly hotPixels: number;
  readonly coldPixels: number;
  /** Amplifier glow in its corner, e-/s. */
  readonly ampGlow: number;
  /** Number of dust shadows. */
  readonly dust: number;
  /** Multipliers that turn a neutral camera colour to equal values (green = 1). */
  readonly multipliers: readonly [number, number, number];
  /** Balanced camera colour to linear sRGB, row-major 3x3, rows sum to 1. */
  readonly cameraToSrgb: readonly number[];
}

/** How a direction lands on the sensor; see `_lens.ts` for the formulas. */
export interface LensShape {
  readonly projection: 'rectilinear' | 'equidistant' | 'equisolid' | 'stereographic';
  /** Radial terms of r = r0 (1 + k1 r0^2 + k2 r0^4 + k3 r0^6). */
  readonly k1: number;
  readonly k2: number;
  readonly k3?: number;
  /** One-parameter division form r0 = r / (1 + lambda r^2), applied after the radial terms; default 0. */
  readonly division?: number;
  /** Decentring terms p1, p2; default 0. */
  readonly p1?: number;
  readonly p2?: number;
  /** Offset of the lens's axis from the middle of the frame, px. */
  readonly offsetX: number;
  readonly offsetY: number;
}

export interface ScenarioLens {
  readonly make: string;
  readonly model: string;
  /** Focal length as the header says; absent or 0 for an adapted lens. */
  readonly headerFocalLengthMm?: number;
  /** True focal length, mm. */
  readonly focalLengthMm: number;
  readonly fNumber: number;
  readonly headerFNumber?: number;
  readonly shape: LensShape;
  /** Sigma of the round core, px, on the axis; and how much of it is added (in quadrature) at the corner. */
  readonly coreSigma: number;
  readonly cornerSigma: number;
  /** Length of the coma at the corner, px. */
  readonly coma: number;
  /** Share of the light in the wide wings, and their sigma, px. */
  readonly wingShare: number;
  readonly wingSigma: number;
  /** Mechanical vignetting at the corner, 0 = none; comes on top of the natural falloff. */
  readonly vignetting: number;
}

/** Where the camera looks and how it is held. */
export interface Pointing {
  readonly azimuth: number;
  readonly altitude: number;
  /** Turn of the camera about its axis, deg: 0 landscape, 90 portrait (orientation 6), -90 portrait (8), 180 upside down. */
  readonly roll: number;
}

/** A glow of a town on the horizon. */
export interface LightDome {
  readonly azimuth: number;
  /** deg */
  readonly width: number;
  /** Brightness at the horizon in units of the natural zenith sky. */
  readonly strength: number;
}

export interface SkyConditions {
  /** Natural zenith sky without the Milky Way, mag/arcsec^2 in V. */
  readonly brightness: number;
  /** Milky Way brightness, 1 = natural. */
  readonly milkyWay: number;
  /** Strength of airglow bands, 0..1. */
  readonly airglowBands: number;
  readonly lightDomes: readonly LightDome[];
  /** Extinction, mag per airmass for red, green, blue. */
  readonly extinction: readonly [number, number, number];
  /** Refraction on or off (off for tests against plain spherical trigonometry). */
  readonly refraction: boolean;
  /** Sun and moon light added by their true positions. */
  readonly sunAndMoon: boolean;
  /** Faintest star drawn: a magnitude, or undefined = by what the exposure can show. */
  readonly faintest?: number;
}

/** The land: built in azimuth and altitude, so it moves with the camera as real land does. */
export interface LandScene {
  readonly kind: 'none' | 'plain' | 'hills' | 'mountains';
  /** Middle height of the skyline, deg. */
  readonly skyline: number;
  /** Number of trees across the frame, and a mast at this azimuth offset from the pointing (deg). */
  readonly trees: number;
  readonly mastOffset?: number;
  /** Brightness of the land in units of the natural zenith sky. */
  readonly brightness: number;
}

/** A line of light, px of this frame, in the order of flight. */
export interface StreakPlan {
  readonly kind: 'aircraft' | 'satellite' | 'meteor';
  readonly x1: number;
  readonly y1: number;
  readonly x2: number;
  readonly y2: number;
  /** Electrons of green light per px of path. */
  readonly brightness: number;
}

/** Cloud over one frame. The field drifts with the wind; its depth is set so that the sky's mean transparency comes true. */
export interface CloudPlan {
  /** Mean transparency over the visible sky, 0..1. */
  readonly transparency: number;
  /** 0 = even veil, 1 = patches with clear sky between. */
  readonly patchiness: number;
}

export interface HeadMotion {
  /** px that the land at the middle of the frame moves by. */
  readonly x: number;
  readonly y: number;
  /** Rotation of the picture content, deg, from +x toward +y. */
  readonly rotation: number;
}

/** One press of the shutter and everything that went wrong with it. */
export interface Shot {
  readonly role: Exclude<Role, 'other'>;
  /** Opening of the shutter, s after the scenario's start. */
  readonly time: number;
  /** As the header says, s. */
  readonly exposureTime: number;
  /** As the shutter really did, s; default the header's. */
  readonly realExposureTime?: number;
  readonly iso: number;
  /** Sensor temperature, deg C. */
  readonly temperature: number;
  /** Lasting displacement of the camera against its first framing (a knock, a sag). */
  readonly head?: HeadMotion;
  /** Other pointing than the scenario's (test shots before the framing was found). */
  readonly pointing?: Pointing;
  /** Extra sigma of the star image, px, in quadrature. */
  readonly defocus?: number;
  /** Dew on the glass: extra sigma, px, in quadrature, and the share of light lost. */
  readonly dew?: { readonly sigma: number; readonly loss: number };
  /** Camera swinging during the exposure: full length, px, and direction, deg from +x toward +y. */
  readonly shake?: { readonly length: number; readonly angle: number };
  readonly cloud?: CloudPlan;
  /** Headlights sweeping the land: brightness in units of the natural zenith sky. */
  readonly headlights?: number;
  /** Stray light over the whole frame, in units of the natural zenith sky. */
  readonly glare?: number;
  readonly streaks?: readonly StreakPlan[];
  /** The lens is zoomed or breathes: focal length times this. */
  readonly scale?: number;
  /** Damage of the file on the card. */
  readonly damage?: 'truncated' | 'all-zero';
}

/** How the card names its files. */
export interface CardNaming {
  readonly folderSuffix: string;
  readonly filePrefix: string;
  readonly firstFolder: number;
  readonly firstNumber: number;
}

/** What the photographer wrote before the night: arguments of `plan new`. */
export interface ScenarioPlan {
  readonly night: string;
  readonly focalMm: number;
  readonly crop: number;
  readonly aperture: number;
  readonly iso: number;
  readonly shutter: number;
  readonly frames: number;
  readonly target: string;
  readonly notes: string;
}

/** A whole night: plain data, so that it crosses threads and lands in JSON. */
export interface NightScenario {
  readonly name: string;
  readonly seed: number;
  /** UTC instant of time 0, ISO 8601. */
  readonly start: string;
  readonly site: ScenarioSite;
  readonly camera: ScenarioCamera;
  readonly lens: ScenarioLens;
  readonly pointing: Pointing;
  readonly sky: SkyConditions;
  readonly land: LandScene;
  readonly shots: readonly Shot[];
  /** Camera clock minus true time, s. */
  readonly clockError?: number;
  /** Header times are cut to whole seconds, as many bodies write them. */
  readonly wholeSeconds?: boolean;
  /** What the camera writes: mosaics (default) or finished JPEG only. */
  readonly output?: 'mosaic' | 'jpeg';
  readonly naming: CardNaming;
  readonly plan?: ScenarioPlan;
}

/** e-/ADU of a shot. */
export const gainOf = (scenario: NightScenario, shot: Shot): number => scenario.camera.unityIso / shot.iso;

/** Seconds the shutter was really open. */
export const realExposure = (shot: Shot): number => shot.realExposureTime ?? shot.exposureTime;

/** True focal length in px. */
export const focalLengthPx = (scenario: NightScenario): number =>
  (scenario.lens.focalLengthMm * 1000) / scenario.camera.pixelPitchUm;
