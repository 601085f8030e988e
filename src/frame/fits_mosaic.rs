//! Where the greens of a FITS file's colour filters are: its keywords, checked by its values.
//!
//! BAYERPAT, COLORTYP, XBAYROFF and YBAYROFF are common practice, no source; programs differ in the
//! row that the pattern starts from.

use super::fits_header::Cards;
use super::mosaic::Mosaic;
use crate::error::Warning;

/// Values looked at, of each place in the pattern.
const N_LOOKED_AT: usize = 20_000;
/// Two greens are the same colour: their medians agree within so many sigmas, or ...
const SIGMAS: f64 = 6.0;
/// ... the others agree this many times better.
const TIMES_BETTER: f64 = 3.0;

/// Whether the header speaks of colour filters.
pub(super) fn has_filters(cards: &Cards) -> bool {
    letters_of(cards).is_some()
}

/// The mosaic of a picture with one plane; `None` without colour filters.
///
/// Method: the letters and offsets of the keywords. Green sites receive the same light, red and
/// blue ones seldom do: where the values of the declared greens differ and the others' agree, the
/// pattern starts from the other row, and the greens are where the values show them.
pub(super) fn mosaic_of(
    cards: &Cards,
    values: &[f32],
    width: usize,
) -> (Option<Mosaic>, Option<Warning>) {
    let Some(letters) = letters_of(cards) else {
        return (None, None);
    };
    let Some(declared) = Mosaic::from_letters(&letters) else {
        let text = format!(
            "the colour filters \"{letters}\" are not known: measured as if there were none; RGGB, \
             BGGR, GRBG or GBRG was needed"
        );
        return (None, Some(Warning::new(text)));
    };
    let greens_first = letters.to_ascii_uppercase().starts_with('G');
    let shown = greens_by_values(values, width);
    match shown {
        Some(first) if first != greens_first => {
            let text = "the greens of the colour filters are on the other diagonal than the header's \
                        pattern says: taken where the values show them";
            let other = Mosaic::from_letters(if first { "GRBG" } else { "RGGB" });
            (other, Some(Warning::new(text)))
        }
        _ => (Some(declared), None),
    }
}

/// The four letters, led to the first value in the file by the offsets.
fn letters_of(cards: &Cards) -> Option<String> {
    let named = cards.text("BAYERPAT").or(cards.text("COLORTYP"))?.trim();
    let letters: Vec<char> = named.chars().collect();
    let none = ["NONE", "MONO", "MONOCHROME", "GREY", "GRAY"];
    if none.contains(&named.to_ascii_uppercase().as_str()) {
        return None;
    }
    if letters.len() != 4 {
        return Some(named.to_owned());
    }
    let odd = |keyword| {
        cards
            .number(keyword)
            .is_some_and(|at| at.rem_euclid(2.0) == 1.0)
    };
    let (x, y) = (usize::from(odd("XBAYROFF")), usize::from(odd("YBAYROFF")));
    let places = [(0, 0), (1, 0), (0, 1), (1, 1)];
    Some(
        places
            .map(|(column, row)| letters[2 * ((row + y) % 2) + (column + x) % 2])
            .iter()
            .collect(),
    )
}

/// Whether the sites alike are those of the first value (and not those beside it); `None` where the
/// values do not tell.
fn greens_by_values(values: &[f32], width: usize) -> Option<bool> {
    let height = values.len() / width;
    let step = ((values.len() / 4) / N_LOOKED_AT).max(1);
    let site = |column: usize, row: usize| {
        let rows = (row..height).step_by(2);
        let all = rows.flat_map(|y| {
            (column..width)
                .step_by(2)
                .map(move |x| values[y * width + x])
        });
        let looked_at = all.step_by(step).filter(|value| value.is_finite());
        level_of(looked_at.map(f64::from).collect())
    };
    let [a, b, c, d] = [site(0, 0)?, site(1, 0)?, site(0, 1)?, site(1, 1)?];
    let gap = |one: (f64, f64), other: (f64, f64)| ((one.0 - other.0).abs(), one.1.hypot(other.1));
    let (first, first_sigma) = gap(a, d);
    let (second, second_sigma) = gap(b, c);
    let alike = |gap: f64, sigma: f64, other: f64, other_sigma: f64| {
        other > SIGMAS * other_sigma && TIMES_BETTER * gap.max(sigma) < other
    };
    if alike(first, first_sigma, second, second_sigma) {
        Some(true)
    } else if alike(second, second_sigma, first, first_sigma) {
        Some(false)
    } else {
        None
    }
}

/// Median and its sigma.
fn level_of(mut values: Vec<f64>) -> Option<(f64, f64)> {
    if values.len() < 16 {
        return None;
    }
    values.sort_by(f64::total_cmp);
    let at = |share: f64| values[((values.len() - 1) as f64 * share) as usize];
    // Quartiles are 1.349 sigmas apart; a median of n scatters by 1.253 sigmas over the root of n.
    let sigma = 1.253 * (at(0.75) - at(0.25)) / 1.349 / (values.len() as f64).sqrt();
    Some((at(0.5), sigma))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::fits_header::test_cards as cards;

    /// Red 300, green 500, blue 200, greens first or not, with some scatter.
    fn values(greens_first: bool) -> Vec<f32> {
        let site = |x: usize, y: usize| match (x % 2, y % 2, greens_first) {
            (0, 0, true) | (1, 1, true) | (1, 0, false) | (0, 1, false) => 500.0,
            (1, 0, true) | (0, 0, false) => 300.0,
            _ => 200.0,
        };
        let place = |i: usize| (i % 32, i / 32);
        (0..32 * 32)
            .map(|i| site(place(i).0, place(i).1) + ((i * 7919) % 13) as f32)
            .collect()
    }

    #[test]
    fn keywords_that_fit_the_values_are_believed() {
        let (mosaic, warning) = mosaic_of(&cards(&["BAYERPAT= 'RGGB'"]), &values(false), 32);
        assert_eq!((mosaic, warning), (Mosaic::from_letters("RGGB"), None));
        let offset = cards(&["BAYERPAT= 'RGGB'", "YBAYROFF= 1"]);
        assert_eq!(
            mosaic_of(&offset, &values(true), 32),
            (Mosaic::from_letters("GBRG"), None)
        );
        let even = vec![7.0; 1024];
        let (mosaic, _) = mosaic_of(&cards(&["BAYERPAT= 'RGGB'"]), &even, 32);
        assert_eq!(mosaic, Mosaic::from_letters("RGGB"), "nothing to tell by");
    }

    #[test]
    fn a_pattern_counted_from_the_other_row_is_set_right_with_a_word() {
        let (mosaic, warning) = mosaic_of(&cards(&["BAYERPAT= 'RGGB'"]), &values(true), 32);
        assert_eq!(mosaic, Mosaic::from_letters("GRBG"));
        assert!(warning.unwrap().text.contains("other diagonal"));
    }

    #[test]
    fn no_filters_and_filters_that_are_not_known() {
        assert_eq!(mosaic_of(&cards(&[]), &values(false), 32), (None, None));
        assert_eq!(
            mosaic_of(&cards(&["BAYERPAT= 'NONE'"]), &values(false), 32),
            (None, None)
        );
        let (mosaic, warning) = mosaic_of(&cards(&["BAYERPAT= 'CYYM'"]), &values(false), 32);
        assert!(mosaic.is_none() && warning.unwrap().text.contains("CYYM"));
    }
}
