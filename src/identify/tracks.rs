//! Stars followed through the frames of a pointing.

/// One star's sightings: (frame, star) indices, at most one a frame, in order of frames.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Track {
    /// Sightings as (index of the frame in the list, index of the star in that frame's field).
    pub sightings: Vec<(usize, usize)>,
}

/// Joins the pairs between consecutive frames to tracks of two sightings and more.
///
/// Input: `links[k]` holds the pairs (star of frame k, star of frame k + 1); empty where two
/// frames could not be matched, which ends the tracks there.
pub fn link_tracks(links: &[Vec<(usize, usize)>]) -> Vec<Track> {
    let mut finished: Vec<Track> = Vec::new();
    let mut open: Vec<Track> = Vec::new();
    for (frame, pairs) in links.iter().enumerate() {
        let mut next: Vec<Track> = Vec::with_capacity(pairs.len());
        for &(here, there) in pairs {
            let known = open
                .iter()
                .position(|track| track.sightings.last() == Some(&(frame, here)));
            let mut track = match known {
                Some(idx) => open.swap_remove(idx),
                None => Track {
                    sightings: vec![(frame, here)],
                },
            };
            track.sightings.push((frame + 1, there));
            next.push(track);
        }
        finished.append(&mut open);
        open = next;
    }
    finished.append(&mut open);
    finished
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tracks_run_through_frames_and_end_at_gaps() {
        let links = vec![vec![(0, 1), (2, 0)], vec![(1, 5)], vec![], vec![(3, 3)]];
        let mut tracks: Vec<_> = link_tracks(&links)
            .into_iter()
            .map(|track| track.sightings)
            .collect();
        tracks.sort();
        assert_eq!(
            tracks,
            vec![
                vec![(0, 0), (1, 1), (2, 5)],
                vec![(0, 2), (1, 0)],
                vec![(3, 3), (4, 3)]
            ]
        );
    }
}
