//! Exposures of one field as a scenario's pointings.

/// One exposure a length, the camera untouched on the tracker between them.
pub fn one_field(hour_angle_h: f64, lengths_s: &[f64]) -> String {
    let first = format!("hour_angle_h = {hour_angle_h:.1}\ndeclination_deg = 5.0\nroll_deg = 2.0");
    let pointing = |(nth, length): (usize, &f64)| {
        let aim = if nth == 0 {
            &first
        } else {
            "same_camera = true"
        };
        format!(
            "[[alignment.pointing]]\n{aim}\nframes = 1\nexposure_s = {length:.1}\ngap_s = 8.0\n"
        )
    };
    lengths_s.iter().enumerate().map(pointing).collect()
}
