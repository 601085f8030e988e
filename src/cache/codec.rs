//! Measures to bytes and back, bit for bit. A field that is added to a type has to be named here.

use crate::error::Warning;
use crate::frame::PixelFacts;
use crate::stars::{
    FrameTrail, LensShape, LightLine, Quality, Rejected, StackedStar, Star, StarField, Stretch,
};
use crate::units::{Angle, AxialAngle, Measured, PixelPoint, PixelTensor, PixelVector, Pixels};

/// A value with a form in bytes: numbers little-endian, lists and texts after their length.
pub(super) trait Stored: Sized {
    /// Appends the value.
    fn put(&self, out: &mut Vec<u8>);
    /// Takes a value off the front; `None` where the bytes are none.
    fn take(from: &mut &[u8]) -> Option<Self>;
}

/// Numbers of a fixed size.
macro_rules! stored_numbers {
    ($($number:ty),*) => {$(
        impl Stored for $number {
            fn put(&self, out: &mut Vec<u8>) {
                out.extend_from_slice(&self.to_le_bytes());
            }
            fn take(from: &mut &[u8]) -> Option<Self> {
                let (bytes, rest) = from.split_first_chunk()?;
                *from = rest;
                Some(Self::from_le_bytes(*bytes))
            }
        }
    )*};
}

/// Types that are a number inside.
macro_rules! stored_as_number {
    ($($name:ty: $to:expr, $from:expr;)*) => {$(
        impl Stored for $name {
            fn put(&self, out: &mut Vec<u8>) {
                $to(*self).put(out);
            }
            fn take(from: &mut &[u8]) -> Option<Self> {
                Some($from(f64::take(from)?))
            }
        }
    )*};
}

/// Types with named fields; the compiler refuses a list that is not complete.
macro_rules! stored_fields {
    ($($name:ident { $($field:ident),* })*) => {$(
        impl Stored for $name {
            fn put(&self, out: &mut Vec<u8>) {
                let $name { $($field),* } = self;
                $($field.put(out);)*
            }
            fn take(from: &mut &[u8]) -> Option<Self> {
                $(let $field = Stored::take(from)?;)*
                Some($name { $($field),* })
            }
        }
    )*};
}
pub(super) use stored_fields;

stored_numbers!(u8, u64, f32, f64);
stored_as_number! {
    Angle: Angle::rad, Angle::from_rad;
    AxialAngle: |line: AxialAngle| line.angle().rad(), |rad| AxialAngle::from_angle(Angle::from_rad(rad));
    Pixels: Pixels::px, Pixels::new;
}
stored_fields! {
    PixelPoint { x, y }
    PixelVector { dx, dy }
    PixelTensor { xx, xy, yy }
    Quality { saturated, blended, at_edge }
    Star { position, position_covariance, flux, peak, moments, moments_sigma, trail, quality }
    FrameTrail { vector, covariance, length, angle, angle_sigma, n_stars }
    LensShape { corner, stretch, turn_told }
    LightLine { from, to }
    Rejected { hot_pixels, blended, lines, longest_line, shapes }
    StarField { width, height, stars, background, noise, fwhm, trail, lens, rejected }
    StackedStar { side, cells_per_pixel, light, n_stars }
    PixelFacts { saturation, developed, warnings }
    Warning { text }
}

impl<T: Stored> Stored for Measured<T> {
    fn put(&self, out: &mut Vec<u8>) {
        let Measured { value, sigma } = self;
        value.put(out);
        sigma.put(out);
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        let value = T::take(from)?;
        let sigma = T::take(from)?;
        Some(Measured { value, sigma })
    }
}

impl Stored for usize {
    fn put(&self, out: &mut Vec<u8>) {
        (*self as u64).put(out);
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        u64::take(from)?.try_into().ok()
    }
}

impl Stored for bool {
    fn put(&self, out: &mut Vec<u8>) {
        u8::from(*self).put(out);
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        match u8::take(from)? {
            0 => Some(false),
            1 => Some(true),
            _ => None,
        }
    }
}

impl Stored for Stretch {
    fn put(&self, out: &mut Vec<u8>) {
        matches!(self, Stretch::Around).put(out);
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        let around = bool::take(from)?;
        Some(if around {
            Stretch::Around
        } else {
            Stretch::Outwards
        })
    }
}

impl Stored for String {
    fn put(&self, out: &mut Vec<u8>) {
        self.len().put(out);
        out.extend_from_slice(self.as_bytes());
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        let length = usize::take(from)?;
        let (bytes, rest) = from.split_at_checked(length)?;
        *from = rest;
        String::from_utf8(bytes.to_vec()).ok()
    }
}

impl<T: Stored> Stored for Option<T> {
    fn put(&self, out: &mut Vec<u8>) {
        self.is_some().put(out);
        if let Some(value) = self {
            value.put(out);
        }
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        Some(if bool::take(from)? {
            Some(T::take(from)?)
        } else {
            None
        })
    }
}

impl<T: Stored> Stored for Vec<T> {
    fn put(&self, out: &mut Vec<u8>) {
        self.len().put(out);
        self.iter().for_each(|item| item.put(out));
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        let length = usize::take(from)?;
        // Every item takes a byte at least: a length that lies takes no memory.
        if length > from.len() {
            return None;
        }
        (0..length).map(|_| T::take(from)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes_of(value: &impl Stored) -> Vec<u8> {
        let mut bytes = Vec::new();
        value.put(&mut bytes);
        bytes
    }

    fn back<T: Stored>(bytes: &[u8]) -> Option<T> {
        let mut rest = bytes;
        T::take(&mut rest).filter(|_| rest.is_empty())
    }

    #[test]
    fn numbers_keep_every_bit() {
        for value in [0.0, -0.0, 0.1, f64::MIN_POSITIVE / 3.0, f64::INFINITY] {
            let again: f64 = back(&bytes_of(&value)).unwrap();
            assert_eq!(again.to_bits(), value.to_bits());
        }
        let line = AxialAngle::from_angle(Angle::from_rad(-1e-9));
        let again: AxialAngle = back(&bytes_of(&line)).unwrap();
        assert_eq!(again.angle().rad().to_bits(), line.angle().rad().to_bits());
        assert_eq!(back(&bytes_of(&usize::MAX)), Some(usize::MAX));
    }

    #[test]
    fn optional_values_lists_and_texts_come_back() {
        let value = Some(vec!["".to_string(), "\u{e9}t\u{e9}".into()]);
        assert_eq!(back(&bytes_of(&value)), Some(value));
        assert_eq!(back::<Option<f64>>(&[0]), Some(None));
        for stretch in [Stretch::Around, Stretch::Outwards] {
            assert_eq!(back(&bytes_of(&stretch)), Some(stretch));
        }
    }

    #[test]
    fn bytes_that_are_no_value_give_none() {
        assert_eq!(back::<bool>(&[2]), None);
        assert_eq!(back::<f64>(&[0; 7]), None);
        assert_eq!(back::<Vec<f64>>(&u64::MAX.to_le_bytes()), None);
        let mut text = bytes_of(&2_usize);
        text.extend([0xC3, 0x28]);
        assert_eq!(back::<String>(&text), None);
    }
}
