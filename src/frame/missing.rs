//! What a header lacks, and the option that supplies it.

use std::fmt;

use super::Header;

/// A fact that neither the file nor an option gave.
///
/// A missing fact is no [`crate::error::Warning`]: it is listed here alone, so that a night says
/// it once and not once a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum MissingFact {
    /// No date and time at all.
    StartTime,
    /// The camera's clock is known, its zone is not.
    UtcOffset,
    /// Length of the exposure.
    Exposure,
    /// Focal length of the lens.
    FocalLength,
    /// Size of a pixel.
    PixelPitch,
    /// Place on the Earth.
    Site,
}

impl MissingFact {
    /// What is missing, in words.
    pub fn name(self) -> &'static str {
        match self {
            MissingFact::StartTime => "date and time of the exposure",
            MissingFact::UtcOffset => "time zone of the camera's clock",
            MissingFact::Exposure => "length of the exposure",
            MissingFact::FocalLength => "focal length",
            MissingFact::PixelPitch => "pixel pitch",
            MissingFact::Site => "site",
        }
    }

    /// The option that supplies it, with its form; `None` where no option can.
    pub fn option(self) -> Option<&'static str> {
        match self {
            MissingFact::StartTime => None,
            MissingFact::UtcOffset => Some("--utc-offset +HH:MM"),
            MissingFact::Exposure => Some("--exposure SECONDS"),
            MissingFact::FocalLength => Some("--focal MM"),
            MissingFact::PixelPitch => Some("--pixel-pitch UM"),
            MissingFact::Site => Some("--site LAT,LON"),
        }
    }
}

impl fmt::Display for MissingFact {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.option() {
            Some(option) => write!(
                f,
                "the file does not give the {}: add {option}",
                self.name()
            ),
            None => write!(f, "the file does not give the {}", self.name()),
        }
    }
}

/// What a header lacks, in a fixed order.
pub fn missing(header: &Header) -> Vec<MissingFact> {
    let start = match (header.start, header.local_start) {
        (Some(_), _) => None,
        (None, Some(_)) => Some(MissingFact::UtcOffset),
        (None, None) => Some(MissingFact::StartTime),
    };
    let optics = &header.optics;
    let others = [
        (header.exposure.is_none(), MissingFact::Exposure),
        (optics.focal_length.is_none(), MissingFact::FocalLength),
        (optics.pixel_pitch.is_none(), MissingFact::PixelPitch),
        (header.site.is_none(), MissingFact::Site),
    ];
    start
        .into_iter()
        .chain(
            others
                .into_iter()
                .filter_map(|(lacks, fact)| lacks.then_some(fact)),
        )
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_header_lacks_everything_but_the_zone() {
        let lacks = missing(&Header::default());
        use MissingFact::*;
        assert_eq!(lacks, [StartTime, Exposure, FocalLength, PixelPitch, Site]);
    }

    #[test]
    fn a_clock_without_zone_asks_for_the_zone() {
        let header = Header {
            local_start: Some(jiff::civil::date(2026, 1, 18).at(4, 59, 7, 0)),
            ..Header::default()
        };
        assert_eq!(missing(&header)[0], MissingFact::UtcOffset);
        assert!(MissingFact::UtcOffset.to_string().contains("--utc-offset"));
    }
}
