//! From the numbers in a file to linear light: the sRGB curve, plain gammas and the curves of ICC profiles.

/// How the values of a file relate to light, both on the scale 0 to 1.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Tone {
    /// Values are proportional to light.
    Linear,
    /// The curve of IEC 61966-2-1:1999 (sRGB).
    Srgb,
    /// Light is the value to this power.
    Gamma(f32),
    /// Light at evenly spaced values from 0 to 1; at least two entries.
    Table(Vec<f32>),
}

/// Rec. 709 weights of linear red, green and blue in luminance.
///
/// Source: [ITU-R] BT.709-6, item 3.2.
const LUMINANCE_WEIGHTS: [f32; 3] = [0.2126, 0.7152, 0.0722];

impl Tone {
    /// Light of a value in [0, 1].
    pub(super) fn light(&self, value: f32) -> f32 {
        match self {
            Tone::Linear => value,
            Tone::Srgb => srgb_light(value),
            Tone::Gamma(gamma) => value.max(0.0).powf(*gamma),
            Tone::Table(entries) => interpolate(entries, value),
        }
    }

    /// Light of every 8-bit value.
    pub(super) fn byte_table(&self) -> Vec<f32> {
        self.table(u32::from(u8::MAX))
    }

    /// Light of every 16-bit value.
    pub(super) fn word_table(&self) -> Vec<f32> {
        self.table(u32::from(u16::MAX))
    }

    fn table(&self, full_scale: u32) -> Vec<f32> {
        (0..=full_scale)
            .map(|value| self.light(value as f32 / full_scale as f32))
            .collect()
    }

    /// The curve of an ICC profile's grey or green channel; `None` if it holds none that we can read.
    ///
    /// Source: [ICC.1] 2010 (profile version 4.3), sections 7.3 (tag table), 10.5 (`curv`) and
    /// 10.15 (`para`). The whole of a matrix profile is its curves and primaries; only the curve
    /// matters for light, and the three channels share it in all common profiles.
    pub(super) fn from_icc(profile: &[u8]) -> Option<Tone> {
        let tag = [b"kTRC", b"gTRC", b"rTRC"]
            .into_iter()
            .find_map(|name| icc_tag(profile, name))?;
        match tag.get(0..4)? {
            b"curv" => icc_sampled_curve(tag),
            b"para" => icc_parametric_curve(tag),
            _ => None,
        }
    }
}

/// Luminance of linear red, green and blue.
pub(super) fn luminance(red: f32, green: f32, blue: f32) -> f32 {
    let [r, g, b] = LUMINANCE_WEIGHTS;
    r * red + g * green + b * blue
}

/// Source: [IEC] 61966-2-1:1999, section 5.2: linear below 0.04045, then power 2.4.
fn srgb_light(value: f32) -> f32 {
    if value <= 0.04045 {
        value / 12.92
    } else {
        ((value + 0.055) / 1.055).powf(2.4)
    }
}

fn interpolate(entries: &[f32], value: f32) -> f32 {
    let last = entries.len() - 1;
    let place = value.clamp(0.0, 1.0) * last as f32;
    let below = (place as usize).min(last.saturating_sub(1));
    let above = (below + 1).min(last);
    entries[below] + (entries[above] - entries[below]) * (place - below as f32)
}

fn be_u32(bytes: &[u8], at: usize) -> Option<u32> {
    let four = bytes.get(at..at.checked_add(4)?)?;
    Some(u32::from_be_bytes(four.try_into().ok()?))
}

/// Signed number with 16 bits after the point.
fn be_fixed(bytes: &[u8], at: usize) -> Option<f32> {
    Some(be_u32(bytes, at)? as i32 as f32 / 65536.0)
}

/// The tag table starts at byte 128: a count, then entries of name, offset and size.
fn icc_tag<'a>(profile: &'a [u8], name: &[u8; 4]) -> Option<&'a [u8]> {
    let count = be_u32(profile, 128)?.min(200) as usize;
    (0..count).find_map(|index| {
        let entry = 132 + 12 * index;
        if profile.get(entry..entry + 4)? != name {
            return None;
        }
        let start = be_u32(profile, entry + 4)? as usize;
        let size = be_u32(profile, entry + 8)? as usize;
        profile.get(start..start.checked_add(size)?)
    })
}

/// No entry: straight; one: a gamma with 8 bits after the point; more: a table of 16-bit values.
fn icc_sampled_curve(tag: &[u8]) -> Option<Tone> {
    let count = be_u32(tag, 8)? as usize;
    let bytes = tag.get(12..12usize.checked_add(count.checked_mul(2)?)?)?;
    let word = |pair: &[u8]| f32::from(u16::from_be_bytes([pair[0], pair[1]]));
    match count {
        0 => Some(Tone::Linear),
        1 => Some(gamma(word(bytes) / 256.0)),
        _ => Some(Tone::Table(
            bytes
                .chunks_exact(2)
                .map(|pair| word(pair) / 65535.0)
                .collect(),
        )),
    }
}

/// Types 0 to 4 of the parametric curve; all are sampled into a table but the plain gamma.
fn icc_parametric_curve(tag: &[u8]) -> Option<Tone> {
    let kind = u16::from_be_bytes(tag.get(8..10)?.try_into().ok()?);
    let parameter = |index: usize| be_fixed(tag, 12 + 4 * index);
    let g = parameter(0)?;
    let (a, b, c, d, e, f) = match kind {
        0 => return Some(gamma(g)),
        1 => {
            let (a, b) = (parameter(1)?, parameter(2)?);
            (a, b, 0.0, -b / a, 0.0, 0.0)
        }
        2 => {
            let (a, b, c) = (parameter(1)?, parameter(2)?, parameter(3)?);
            (a, b, 0.0, -b / a, c, c)
        }
        3 => (
            parameter(1)?,
            parameter(2)?,
            parameter(3)?,
            parameter(4)?,
            0.0,
            0.0,
        ),
        4 => (
            parameter(1)?,
            parameter(2)?,
            parameter(3)?,
            parameter(4)?,
            parameter(5)?,
            parameter(6)?,
        ),
        _ => return None,
    };
    let curve = |x: f32| {
        if x >= d {
            (a * x + b).max(0.0).powf(g) + e
        } else {
            c * x + f
        }
    };
    let entries: Vec<f32> = (0..=4095).map(|i| curve(i as f32 / 4095.0)).collect();
    entries
        .iter()
        .all(|light| light.is_finite())
        .then_some(Tone::Table(entries))
}

fn gamma(exponent: f32) -> Tone {
    match exponent {
        e if (e - 1.0).abs() < 1e-3 => Tone::Linear,
        e if (0.2..=5.0).contains(&e) => Tone::Gamma(e),
        _ => Tone::Srgb,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A profile with one tag, built by the layout of ICC.1.
    fn profile(name: &[u8; 4], tag: &[u8]) -> Vec<u8> {
        let mut bytes = vec![0; 128];
        bytes.extend(1u32.to_be_bytes());
        bytes.extend(name);
        bytes.extend(144u32.to_be_bytes());
        bytes.extend((tag.len() as u32).to_be_bytes());
        bytes.extend(tag);
        bytes
    }

    #[test]
    fn srgb_values_match_the_standard_curve() {
        // Mid grey 119 of 255 is 18.4 % of full light; 0.04045 is where the two branches meet.
        let table = Tone::Srgb.byte_table();
        assert_eq!((table[0], table[255]), (0.0, 1.0));
        assert!((table[119] - 0.1845).abs() < 1e-4);
        assert!((table[10] - 10.0 / 255.0 / 12.92).abs() < 1e-7);
        assert!((srgb_light(0.040449) - srgb_light(0.040451)).abs() < 1e-6);
    }

    #[test]
    fn an_icc_gamma_is_read_and_an_identity_curve_is_linear() {
        let gamma_2_2 = [
            b"curv".as_slice(),
            &[0; 4],
            &1u32.to_be_bytes(),
            &[0x02, 0x33],
        ]
        .concat();
        let Some(Tone::Gamma(found)) = Tone::from_icc(&profile(b"gTRC", &gamma_2_2)) else {
            panic!("no gamma read");
        };
        assert!((found - 2.199).abs() < 1e-3);
        let identity = [b"curv".as_slice(), &[0; 8]].concat();
        assert_eq!(
            Tone::from_icc(&profile(b"kTRC", &identity)),
            Some(Tone::Linear)
        );
    }

    #[test]
    fn an_icc_parametric_srgb_curve_agrees_with_the_standard() {
        let fixed = |v: f64| ((v * 65536.0).round() as i32).to_be_bytes();
        let mut tag = [b"para".as_slice(), &[0; 4], &[0, 3, 0, 0]].concat();
        for v in [2.4, 1.0 / 1.055, 0.055 / 1.055, 1.0 / 12.92, 0.04045] {
            tag.extend(fixed(v));
        }
        let tone = Tone::from_icc(&profile(b"gTRC", &tag)).unwrap();
        for value in [0.0, 0.02, 0.3, 0.9, 1.0] {
            assert!((tone.light(value) - srgb_light(value)).abs() < 2e-4);
        }
    }

    #[test]
    fn broken_profiles_are_ignored() {
        assert_eq!(Tone::from_icc(&[]), None);
        assert_eq!(Tone::from_icc(&[255; 140]), None);
        let cut_short = [b"curv".as_slice(), &[0; 4], &9u32.to_be_bytes()].concat();
        assert_eq!(Tone::from_icc(&profile(b"gTRC", &cut_short)), None);
    }

    #[test]
    fn weights_of_luminance_add_up_to_one() {
        assert!((luminance(1.0, 1.0, 1.0) - 1.0).abs() < 1e-6);
    }
}
