//! Nights drawn at random: site, camera, tracker, faults, and where the camera looked.

#![allow(dead_code)] // The program and the test use their own parts.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use stillpoint::diagnosis::Cause;
use stillpoint::identify::attitude::FRAME_FLOOR_PX;
use stillpoint::simulate::{
    Alignment, AxisError, Bump, CameraBody, Drive, Format, LensSpec, Listing, Output, Periodic,
    Pointing, Rate, Sag, Scenario, SitePlace, Sky, Slip,
};

/// A night to be judged, with what it was drawn as.
pub struct Night {
    /// Number within the study, from 0.
    pub number: u64,
    /// The night.
    pub scenario: Scenario,
    /// Noise and depth of its star lists.
    pub listing: Listing,
    /// What is wrong with the drive.
    pub fault: Fault,
    /// Where each pointing looked.
    pub looks: Vec<Look>,
    /// How far refraction is from what the program assumes, relative.
    pub air_off: f64,
    /// How far the camera's clock is ahead, seconds.
    pub clock_s: f64,
}

/// What is wrong with a drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// Nothing.
    None,
    /// It swings.
    Periodic,
    /// It runs evenly at a wrong rate.
    Rate,
    /// It stands.
    Stopped,
    /// It runs backwards.
    Reversed,
    /// It stands at the start of each pointing.
    Backlash,
    /// It makes one step.
    Slip,
}

impl Fault {
    /// The cause that the program should call it.
    pub fn cause(self) -> Option<Cause> {
        match self {
            Fault::None => None,
            Fault::Periodic => Some(Cause::DrivePeriodic),
            Fault::Rate => Some(Cause::DriveRate),
            Fault::Stopped => Some(Cause::DriveStopped),
            Fault::Reversed => Some(Cause::DriveReversed),
            Fault::Backlash => Some(Cause::DriveBacklash),
            Fault::Slip => Some(Cause::Slip),
        }
    }
    /// Its name in the tables.
    pub fn name(self) -> &'static str {
        self.cause().map_or("perfect", Cause::key)
    }
}

/// Where a pointing looked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Look {
    /// To the meridian, away from the pole.
    Equator,
    /// East.
    East,
    /// West.
    West,
    /// The side of the pole.
    PoleSide,
    /// Within ten degrees of the pole.
    Pole,
    /// Near the zenith.
    High,
    /// Between 15 and 20 degrees of altitude.
    Low,
    /// Anywhere.
    Anywhere,
}

impl Look {
    /// Its name in the tables.
    pub fn name(self) -> &'static str {
        match self {
            Look::Equator => "meridian, away from the pole",
            Look::East => "east",
            Look::West => "west",
            Look::PoleSide => "side of the pole",
            Look::Pole => "at the pole",
            Look::High => "near the zenith",
            Look::Low => "15 to 20 degrees high",
            Look::Anywhere => "anywhere",
        }
    }
}

/// The night of a number in the study of a seed, without bump and sag.
pub fn draw(seed: u64, number: u64) -> Night {
    let mut night = draw_any(seed, number, number);
    let alignment = &mut night.scenario.alignments[0];
    alignment.sag = None;
    alignment.bumps.clear();
    night
}

/// A night of the set in which something beside the drive moves the camera: a bump, sag or both.
pub fn draw_disturbed(seed: u64, number: u64) -> Night {
    let stream = FIRST_DISTURBED + number;
    let mut night = draw_any(seed, number, stream);
    let mut dice = Dice(ChaCha8Rng::seed_from_u64(seed));
    dice.0.set_stream(!stream);
    let alignment = &mut night.scenario.alignments[0];
    let n_frames = alignment.pointings.iter().map(|p| p.frames).sum();
    if alignment.sag.is_none() && alignment.bumps.is_empty() {
        if n_frames >= 2 && dice.chance(0.5) {
            alignment.bumps = vec![draw_bump(&mut dice, n_frames, alignment.pointings[0].gap_s)];
        } else {
            alignment.sag = Some(draw_sag(&mut dice));
        }
    }
    night
}

/// Dice of the disturbed nights: far from those of the others.
const FIRST_DISTURBED: u64 = 1 << 32;

/// A night with anything, from dice of its own stream.
pub fn draw_any(seed: u64, number: u64, stream: u64) -> Night {
    let mut dice = Dice(ChaCha8Rng::seed_from_u64(seed));
    dice.0.set_stream(stream);
    let site = draw_site(&mut dice);
    let (air, clock_s) = (draw_air(&mut dice, site), CLOCK_S * dice.normal());
    let (camera, lens) = (draw_camera(&mut dice), draw_lens(&mut dice));
    let mut looks = Vec::new();
    let pointings = draw_pointings(&mut dice, site.0, &mut looks);
    let n_frames = pointings.iter().map(|p| p.frames).sum();
    let gap_s = pointings[0].gap_s;
    let (fault, drive) = draw_drive(&mut dice, n_frames, &pointings[0]);
    let axis = draw_axis(&mut dice);
    let alignment = Alignment {
        name: "night".into(),
        before_s: 0.0,
        axis,
        drive,
        sag: dice.chance(0.05).then(|| draw_sag(&mut dice)),
        shake: None,
        bumps: draw_bumps(&mut dice, n_frames, gap_s),
        clouds: Vec::new(),
        streaks: Vec::new(),
        pointings,
    };
    let listing = Listing {
        star_px: dice.between(0.03, 0.15),
        frame_px: FRAME_FLOOR_PX,
        most_stars: Some(dice.log_between(30.0, 500.0) as usize),
        place_arcsec: PLACE_ARCSEC,
        unevenness: 0.0,
    };
    Night {
        number,
        scenario: Scenario {
            seed: dice.0.random(),
            start_utc: draw_start(&mut dice),
            site: air.0,
            camera,
            lens,
            sky: Sky {
                brightness_mag_arcsec2: dice.between(19.0, 21.5),
                gradient: 0.0,
                gradient_towards_deg: 0.0,
                foreground: 0.0,
            },
            output: output(),
            alignments: vec![alignment],
        },
        listing,
        fault,
        looks,
        air_off: air.1,
        clock_s,
    }
}

/// Dice with the draws that nights need.
pub struct Dice(ChaCha8Rng);

impl Dice {
    /// Dice of a stream of a seed.
    pub fn of(seed: u64, stream: u64) -> Self {
        let mut dice = Self(ChaCha8Rng::seed_from_u64(seed));
        dice.0.set_stream(stream);
        dice
    }
    /// Evenly within a range.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        self.0.random_range(low..high)
    }
    /// Evenly in the logarithm.
    pub fn log_between(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }
    /// Normal, of unit spread.
    pub fn normal(&mut self) -> f64 {
        self.0.sample(StandardNormal)
    }
    /// True in a share of the throws.
    pub fn chance(&mut self, share: f64) -> bool {
        self.between(0.0, 1.0) < share
    }
    /// Plus or minus one.
    pub fn sign(&mut self) -> f64 {
        if self.chance(0.5) { 1.0 } else { -1.0 }
    }
    /// One of a list.
    pub fn pick<T: Copy>(&mut self, list: &[T]) -> T {
        list[self.0.random_range(0..list.len())]
    }
}

/// Latitude, longitude (degrees) and height (metres).
fn draw_site(dice: &mut Dice) -> (f64, f64, f64) {
    let latitude = dice.sign() * dice.between(0.5, 70.0);
    (
        latitude,
        dice.between(-180.0, 180.0),
        dice.between(0.0, 2500.0),
    )
}

/// A clock set by hand, 1-sigma, seconds: what the program allows for (its own estimate).
const CLOCK_S: f64 = 10.0;
/// How far stars stand beside their catalogue places, 1-sigma, arcseconds: what the program allows
/// for (its own estimate).
const PLACE_ARCSEC: f64 = 0.5;
/// Weather about the air that the program assumes at a height, 1-sigma: what it allows for.
const WEATHER_C: f64 = 15.0;
/// The same of the pressure.
const WEATHER_HPA: f64 = 10.0;

/// The site with its weather, and how far refraction is from that of the air that the program
/// assumes there, relative.
///
/// Source of the air that it assumes: [ICAO], 1013.25 hPa and 15 degrees C at sea level, 6.5 degrees
/// a kilometre.
fn draw_air(dice: &mut Dice, (latitude, longitude, height): (f64, f64, f64)) -> (SitePlace, f64) {
    let assumed_c = 15.0 - 0.0065 * height;
    let assumed_hpa = 1013.25 * (1.0 - 0.0065 * height / 288.15).powf(5.25588);
    let temperature = assumed_c + WEATHER_C * dice.normal();
    let pressure = assumed_hpa + WEATHER_HPA * dice.normal();
    let site = SitePlace {
        latitude_deg: latitude,
        longitude_deg: longitude,
        height_m: height,
        pressure_hpa: pressure,
        temperature_c: temperature,
        humidity: 0.0,
        ut1_minus_utc_s: dice.between(-0.3, 0.3),
    };
    let density = |hpa: f64, c: f64| hpa / (c + 273.15);
    (
        site,
        density(pressure, temperature) / density(assumed_hpa, assumed_c) - 1.0,
    )
}

fn draw_camera(dice: &mut Dice) -> CameraBody {
    // Width, height, pitch: whole sensors of several sizes, coarse and fine, and one binned.
    let (width_px, height_px, pitch_um) = dice.pick(&[
        (6000, 4000, 5.95),
        (8256, 5504, 4.35),
        (6000, 4000, 3.92),
        (4640, 3472, 3.75),
        (5472, 3648, 2.40),
        (3000, 2000, 7.84),
    ]);
    CameraBody {
        maker: "Quillon".into(),
        model: "Q-6".into(),
        width_px,
        height_px,
        pitch_um,
        colour: true,
        read_noise_e: dice.between(1.5, 6.0),
        full_well_e: 50_000.0,
        iso: dice.pick(&[400.0, 800.0, 1600.0]),
        bits: 14,
        hot_pixels_per_million: 0.0,
    }
}

fn draw_lens(dice: &mut Dice) -> LensSpec {
    let focal_mm = dice.pick(&[
        14.0, 20.0, 24.0, 35.0, 50.0, 85.0, 105.0, 135.0, 200.0, 250.0, 300.0, 400.0,
    ]);
    LensSpec {
        name: format!("Quillon {focal_mm} mm"),
        focal_mm,
        f_number: dice.pick(&[2.0, 2.8, 4.0, 5.6]),
        // A per cent or two in the corner of a wide lens, less in a long one.
        k1: dice.between(-0.02, 0.005),
        fwhm_px: dice.between(2.0, 4.0),
        moffat_beta: None,
        vignetting: 0.0,
        astigmatism_px: 0.0,
        coma_px: 0.0,
        tilt_px: 0.0,
        defocus_px: 0.0,
    }
}

/// A quarter of the axes is nearly right; the others are up to 90' off, any way.
fn draw_axis(dice: &mut Dice) -> AxisError {
    let farthest = if dice.chance(0.25) { 5.0 } else { 90.0 };
    let total = dice.between(0.0, farthest);
    let towards = dice.between(0.0, std::f64::consts::TAU);
    AxisError {
        altitude_error_arcmin: total * towards.cos(),
        azimuth_error_arcmin: total * towards.sin(),
    }
}

/// Pointings of a night.
pub fn draw_pointings(dice: &mut Dice, latitude: f64, looks: &mut Vec<Look>) -> Vec<Pointing> {
    let n_pointings = dice.pick(&[1, 1, 1, 1, 1, 2, 2, 2, 3, 3]);
    let exposure_s = dice.pick(&[
        10.0, 20.0, 30.0, 45.0, 60.0, 60.0, 90.0, 120.0, 120.0, 180.0,
    ]);
    let gap_s = dice.log_between(1.0, 30.0);
    (0..n_pointings)
        .map(|idx| {
            let frames = match n_pointings {
                1 => dice.pick(&[1, 2, 2, 2, 2, 3, 3, 4, 4, 5, 6, 8, 10, 12]),
                _ => dice.pick(&[1, 2, 2, 2, 3, 4]),
            };
            let look = dice.pick(&[
                Look::Equator,
                Look::Equator,
                Look::Equator,
                Look::East,
                Look::East,
                Look::West,
                Look::West,
                Look::PoleSide,
                Look::Pole,
                Look::High,
                Look::Low,
                Look::Anywhere,
            ]);
            looks.push(look);
            Pointing {
                frames,
                exposure_s,
                gap_s,
                before_s: if idx > 0 {
                    dice.between(30.0, 300.0)
                } else {
                    0.0
                },
                settle_s: dice.between(5.0, 30.0),
                roll_deg: Some(dice.between(-180.0, 180.0)),
                ..towards(dice, latitude, look)
            }
        })
        .collect()
}

/// A pointing without frames in a kind of direction.
fn towards(dice: &mut Dice, latitude: f64, look: Look) -> Pointing {
    let pole_azimuth = if latitude < 0.0 { 180.0 } else { 0.0 };
    if look == Look::Pole {
        let (hour_angle, declination) = (dice.between(-12.0, 12.0), dice.between(80.0, 90.0));
        if altitude_deg(latitude.abs(), hour_angle * 15.0, declination) > 15.0 {
            return at_place(hour_angle, declination.copysign(latitude));
        }
    }
    let (azimuth, altitude) = match look {
        Look::Equator => (
            pole_azimuth + 180.0 + dice.between(-15.0, 15.0),
            dice.between(20.0, 70.0),
        ),
        Look::East => (90.0 + dice.between(-20.0, 20.0), dice.between(20.0, 60.0)),
        Look::West => (270.0 + dice.between(-20.0, 20.0), dice.between(20.0, 60.0)),
        Look::PoleSide => (
            pole_azimuth + dice.between(-40.0, 40.0),
            dice.between(15.0, 80.0),
        ),
        Look::Pole => (pole_azimuth, dice.between(15.0, 30.0)),
        Look::High => (dice.between(0.0, 360.0), dice.between(75.0, 88.0)),
        Look::Low => (dice.between(0.0, 360.0), dice.between(15.0, 20.0)),
        Look::Anywhere => (dice.between(0.0, 360.0), dice.between(15.0, 80.0)),
    };
    Pointing {
        azimuth_deg: Some(azimuth.rem_euclid(360.0)),
        altitude_deg: Some(altitude),
        ..at_place(0.0, 0.0)
    }
    .without_place()
}

/// Altitude of a place of the sky, degrees.
fn altitude_deg(latitude: f64, hour_angle: f64, declination: f64) -> f64 {
    let (latitude, hour_angle, declination) = (
        latitude.to_radians(),
        hour_angle.to_radians(),
        declination.to_radians(),
    );
    let sine =
        latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos();
    sine.asin().to_degrees()
}

fn at_place(hour_angle_h: f64, declination_deg: f64) -> Pointing {
    Pointing {
        facing: None,
        azimuth_deg: None,
        altitude_deg: None,
        hour_angle_h: Some(hour_angle_h),
        declination_deg: Some(declination_deg),
        same_camera: false,
        roll_deg: None,
        up_position_angle_deg: None,
        frames: 0,
        exposure_s: 0.0,
        gap_s: 0.0,
        before_s: 0.0,
        settle_s: 0.0,
    }
}

trait WithoutPlace {
    fn without_place(self) -> Self;
}

impl WithoutPlace for Pointing {
    fn without_place(self) -> Self {
        Self {
            hour_angle_h: None,
            declination_deg: None,
            ..self
        }
    }
}

fn draw_drive(dice: &mut Dice, n_frames: usize, first: &Pointing) -> (Fault, Drive) {
    let fault = dice.pick(&[
        Fault::None,
        Fault::None,
        Fault::None,
        Fault::None,
        Fault::None,
        Fault::Periodic,
        Fault::Periodic,
        Fault::Periodic,
        Fault::Rate,
        Fault::Rate,
        Fault::Stopped,
        Fault::Reversed,
        Fault::Backlash,
        Fault::Slip,
    ]);
    let fault = match fault {
        // A lone frame has no step between frames.
        Fault::Slip if n_frames < 2 => Fault::None,
        other => other,
    };
    let mut drive = Drive {
        rate: Rate::Sidereal,
        rate_error_ppm: 0.0,
        periodic: Vec::new(),
        backlash_s: 0.0,
        slip: Vec::new(),
    };
    match fault {
        Fault::None => {}
        Fault::Periodic => drive.periodic.push(Periodic {
            amplitude_arcsec: dice.log_between(3.0, 60.0),
            period_s: dice.log_between(100.0, 900.0),
            phase_deg: dice.between(-180.0, 180.0),
        }),
        Fault::Rate => {
            let off = 1.0 + dice.sign() * dice.log_between(1e-3, 6e-3);
            drive.rate = dice.pick(&[Rate::Solar, Rate::Lunar, Rate::Half, Rate::Ratio(off)]);
        }
        Fault::Stopped => drive.rate = Rate::Off,
        Fault::Reversed => drive.rate = Rate::Reverse,
        Fault::Backlash => drive.backlash_s = dice.log_between(5.0, 60.0),
        Fault::Slip => drive.slip.push(Slip {
            frame: dice.0.random_range(1..n_frames),
            second: dice.between(-first.gap_s, first.exposure_s),
            arcsec: dice.sign() * dice.log_between(20.0, 600.0),
        }),
    }
    (fault, drive)
}

fn draw_sag(dice: &mut Dice) -> Sag {
    Sag {
        arcsec: dice.log_between(20.0, 400.0),
        time_s: dice.log_between(60.0, 600.0),
    }
}

/// A knock between two frames, in a few nights.
fn draw_bumps(dice: &mut Dice, n_frames: usize, gap_s: f64) -> Vec<Bump> {
    if n_frames < 2 || !dice.chance(0.07) {
        return Vec::new();
    }
    vec![draw_bump(dice, n_frames, gap_s)]
}

fn draw_bump(dice: &mut Dice, n_frames: usize, gap_s: f64) -> Bump {
    let size = dice.log_between(1.0, 20.0);
    let towards = dice.between(0.0, std::f64::consts::TAU);
    Bump {
        frame: dice.0.random_range(1..n_frames),
        second: -0.5 * gap_s,
        altitude_arcmin: size * towards.cos(),
        azimuth_arcmin: size * towards.sin(),
    }
}

/// Any moment of ten years: the Sun is not simulated.
fn draw_start(dice: &mut Dice) -> jiff::Timestamp {
    let seconds = dice.between(1.7e9, 2.0e9).floor() as i64;
    jiff::Timestamp::from_second(seconds).expect("within the range of timestamps")
}

fn output() -> Output {
    Output {
        format: Format::Tif16,
        quality: 90,
        orientation: 1,
        omit: Vec::new(),
        clock_error_s: 0.0,
        utc_offset_h: 0.0,
        prefix: "QLN".into(),
        first_number: 1,
    }
}
