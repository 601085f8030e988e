//! Widths of common camera sensors, for pictures whose tags no longer fit their pixels.

use crate::units::Length;

/// Width of a 35 mm film picture, and of a "full frame" sensor, millimetres.
pub(super) const FILM_WIDTH_MM: f64 = 36.0;
/// Its diagonal, millimetres.
pub(super) const FILM_DIAGONAL_MM: f64 = 43.267;

/// Crop factors (film diagonal over sensor diagonal) by model name in upper case; a star at the
/// end stands for any rest; the first match counts.
///
/// Source: the open lensfun database, files data/db/slr-canon.xml, mil-canon.xml, slr-nikon.xml,
/// mil-nikon.xml, mil-sony.xml and slr-pentax.xml (read 2025; facts only). Models of a family
/// that the copy did not list follow their family from memory.
const CROP_FACTORS: &[(&str, f64)] = &[
    ("CANON EOS 5D*", 1.0),
    ("CANON EOS 6D*", 1.0),
    ("CANON EOS-1DS*", 1.0),
    ("CANON EOS-1D X*", 1.0),
    ("CANON EOS-1D*", 1.27),
    ("CANON EOS R7", 1.613),
    ("CANON EOS R10*", 1.613),
    ("CANON EOS R50*", 1.613),
    ("CANON EOS REBEL*", 1.613),
    ("CANON EOS R*", 1.0),
    ("CANON EOS M*", 1.613),
    ("CANON EOS KISS*", 1.613),
    ("CANON EOS DIGITAL*", 1.613),
    ("CANON EOS 1*", 1.613),
    ("CANON EOS 2*", 1.613),
    ("CANON EOS 3*", 1.613),
    ("CANON EOS 4*", 1.613),
    ("CANON EOS 5*", 1.613),
    ("CANON EOS 6*", 1.613),
    ("CANON EOS 7*", 1.613),
    ("CANON EOS 8*", 1.613),
    ("CANON EOS 9*", 1.613),
    ("NIKON D3", 1.0),
    ("NIKON D3S", 1.0),
    ("NIKON D3X", 1.0),
    ("NIKON D4", 1.0),
    ("NIKON D4S", 1.0),
    ("NIKON D5", 1.0),
    ("NIKON D6", 1.0),
    ("NIKON D600", 1.0),
    ("NIKON D610", 1.0),
    ("NIKON D700", 1.0),
    ("NIKON D750", 1.0),
    ("NIKON D780", 1.0),
    ("NIKON D800*", 1.0),
    ("NIKON D810*", 1.0),
    ("NIKON D850", 1.0),
    ("NIKON DF", 1.0),
    ("NIKON D*", 1.525),
    ("NIKON Z 30", 1.531),
    ("NIKON Z 50", 1.531),
    ("NIKON Z50*", 1.531),
    ("NIKON Z FC", 1.531),
    ("NIKON Z*", 1.0),
    ("ILCE-7*", 1.0),
    ("ILCE-9*", 1.0),
    ("ILCE-1*", 1.0),
    ("ILCE-*", 1.534),
    ("ILME-FX30", 1.546),
    ("ILME-FX3*", 1.0),
    ("NEX-*", 1.534),
    ("PENTAX K-1", 1.0),
    ("PENTAX K-1 MARK II", 1.0),
    ("PENTAX K*", 1.531),
];

/// Width of the long side of a camera's sensor, good to about 3 %; `None` for unknown models.
pub(super) fn known_sensor_width(model: &str) -> Option<Length> {
    let model = model.trim().to_ascii_uppercase();
    CROP_FACTORS
        .iter()
        .find(|(pattern, _)| matches(pattern, &model))
        .map(|&(_, crop)| Length::from_mm(FILM_WIDTH_MM / crop))
}

fn matches(pattern: &str, model: &str) -> bool {
    match pattern.strip_suffix('*') {
        Some(start) => model.starts_with(start),
        None => model == pattern,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn width_mm(model: &str) -> Option<f64> {
        known_sensor_width(model).map(|width| width.mm())
    }

    #[test]
    fn names_that_begin_alike_are_told_apart() {
        assert_eq!(width_mm("Canon EOS 5D Mark IV"), Some(36.0));
        assert!(width_mm("Canon EOS 50D").unwrap() < 23.0);
        assert_eq!(width_mm("Canon EOS R6"), Some(36.0));
        assert!(width_mm("Canon EOS R7").unwrap() < 23.0);
        assert!(width_mm("Canon EOS REBEL T3i").unwrap() < 23.0);
        assert_eq!(width_mm("NIKON D600"), Some(36.0));
        assert!(width_mm("NIKON D60").unwrap() < 24.0);
        assert!(width_mm("NIKON D3300").unwrap() < 24.0);
        assert_eq!(width_mm("ILCE-7M3"), Some(36.0));
        assert!(width_mm("ILCE-6400 ").unwrap() < 24.0);
    }

    #[test]
    fn unknown_models_have_no_width() {
        assert_eq!(width_mm("HX-24"), None);
        assert_eq!(width_mm(""), None);
    }
}
