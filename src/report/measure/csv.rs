//! Every star of every frame as a table of comma-separated values.

use std::fmt::Write;

use crate::stars::Star;

use super::MeasureReport;

const HEAD: &str = "file,x_px,y_px,x_sigma_px,y_sigma_px,flux,flux_sigma,peak,\
moment_xx_px2,moment_xy_px2,moment_yy_px2,trail_dx_px,trail_dy_px,saturated,blended,at_edge\n";

impl MeasureReport {
    /// One row a star, brightest first within its file; light in parts of full scale times pixels.
    pub fn to_csv(&self) -> String {
        let mut table = HEAD.to_string();
        for file in &self.frames {
            let name = quoted(&file.frame.file);
            for star in file.field.iter().flat_map(|field| &field.stars) {
                // Writing to a string never fails.
                let _ = writeln!(table, "{name},{}", row(star));
            }
        }
        table
    }
}

fn row(star: &Star) -> String {
    let (sigma, moments) = (star.position_covariance, star.moments);
    let trail = star.trail.map_or(",".to_string(), |trail| {
        format!("{:.3},{:.3}", trail.dx, trail.dy)
    });
    let quality = star.quality;
    format!(
        "{:.3},{:.3},{:.4},{:.4},{:.6e},{:.3e},{:.6e},{:.4},{:.4},{:.4},{trail},{},{},{}",
        star.position.x,
        star.position.y,
        sigma.xx.max(0.0).sqrt(),
        sigma.yy.max(0.0).sqrt(),
        star.flux.value,
        star.flux.sigma,
        star.peak,
        moments.xx,
        moments.xy,
        moments.yy,
        u8::from(quality.saturated),
        u8::from(quality.blended),
        u8::from(quality.at_edge),
    )
}

/// A field in quotes where it needs them. Source: RFC 4180, section 2.
fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::measure::tests::slanted;

    #[test]
    fn every_row_has_as_many_cells_as_the_head() {
        let mut file = slanted();
        if let Some(star) = file
            .field
            .as_mut()
            .and_then(|field| field.stars.first_mut())
        {
            star.trail = None;
        }
        let report = MeasureReport { frames: vec![file] };
        let table = report.to_csv();
        let n_cells = HEAD.split(',').count();
        assert_eq!(table.lines().count(), 601);
        assert!(table.lines().all(|line| line.split(',').count() == n_cells));
    }

    #[test]
    fn names_with_commas_and_quotes_stay_one_cell() {
        assert_eq!(quoted("a,\"b\".jpg"), "\"a,\"\"b\"\".jpg\"");
        assert_eq!(quoted("a.jpg"), "a.jpg");
    }
}
