//! Stars followed through the frames of a pointing.

use std::cmp::Reverse;
use std::collections::{BTreeMap, HashMap};

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
    let mut tracks: Vec<Track> = Vec::new();
    // Track that ends on a star of the present frame, by the star's number.
    let mut open: HashMap<usize, usize> = HashMap::new();
    for (frame, pairs) in links.iter().enumerate() {
        let mut next = HashMap::with_capacity(pairs.len());
        for &(here, there) in pairs {
            let track = open.remove(&here).unwrap_or_else(|| {
                tracks.push(Track {
                    sightings: vec![(frame, here)],
                });
                tracks.len() - 1
            });
            tracks[track].sightings.push((frame + 1, there));
            next.insert(there, track);
        }
        open = next;
    }
    tracks
}

/// Joins tracks of one star of the catalogue, and adds stars that only the catalogue knows again.
///
/// Input: `names[k]` holds (star of frame k, number in the catalogue), each star and each number
/// once a frame. Output: tracks with the catalogue's number where it is known. A track whose
/// frames name it differently goes by the name that most of them give; tracks of one name that
/// meet in a frame stay apart, and only the longest keeps the name.
pub fn join_by_name(
    tracks: Vec<Track>,
    names: &[Vec<(usize, usize)>],
) -> Vec<(Track, Option<usize>)> {
    let mut name_of: Vec<HashMap<usize, usize>> = names
        .iter()
        .map(|pairs| pairs.iter().copied().collect())
        .collect();
    let mut joined: Vec<(Track, Option<usize>)> = Vec::with_capacity(tracks.len());
    let mut named: BTreeMap<usize, Vec<Track>> = BTreeMap::new();
    for track in tracks {
        let name = usual_name(&track, &name_of);
        for &(frame, star) in &track.sightings {
            if let Some(names) = name_of.get_mut(frame) {
                names.remove(&star);
            }
        }
        match name {
            Some(name) => named.entry(name).or_default().push(track),
            None => joined.push((track, None)),
        }
    }
    for (frame, names) in name_of.iter().enumerate() {
        for (&star, &name) in names {
            let sightings = vec![(frame, star)];
            named.entry(name).or_default().push(Track { sightings });
        }
    }
    for (name, mut tracks) in named {
        tracks.sort_by_key(|track| (Reverse(track.sightings.len()), track.sightings[0]));
        let mut tracks = tracks.into_iter();
        let Some(mut longest) = tracks.next() else {
            continue;
        };
        for track in tracks {
            if longest.meets(&track) {
                joined.push((track, None));
            } else {
                longest.sightings.extend(track.sightings);
                longest.sightings.sort_unstable();
            }
        }
        joined.push((longest, Some(name)));
    }
    joined
}

impl Track {
    /// Whether both are seen in one frame.
    fn meets(&self, other: &Track) -> bool {
        let has = |frame: usize| self.sightings.binary_search_by_key(&frame, |s| s.0).is_ok();
        other.sightings.iter().any(|&(frame, _)| has(frame))
    }
}

fn usual_name(track: &Track, name_of: &[HashMap<usize, usize>]) -> Option<usize> {
    let mut counts: BTreeMap<usize, usize> = BTreeMap::new();
    for &(frame, star) in &track.sightings {
        if let Some(&name) = name_of.get(frame).and_then(|names| names.get(&star)) {
            *counts.entry(name).or_default() += 1;
        }
    }
    let most = counts
        .into_iter()
        .max_by_key(|&(name, count)| (count, Reverse(name)));
    most.map(|(name, _)| name)
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

    fn track(sightings: &[(usize, usize)]) -> Track {
        Track {
            sightings: sightings.to_vec(),
        }
    }

    #[test]
    fn one_name_joins_tracks_across_a_gap_and_finds_lone_sightings() {
        let tracks = vec![track(&[(0, 1), (1, 1)]), track(&[(3, 7), (4, 2)])];
        let names = vec![vec![(1, 99)], vec![], vec![(5, 99)], vec![], vec![(2, 99)]];
        let joined = join_by_name(tracks, &names);
        let whole = track(&[(0, 1), (1, 1), (2, 5), (3, 7), (4, 2)]);
        assert_eq!(joined, vec![(whole, Some(99))]);
    }

    #[test]
    fn tracks_of_one_name_that_meet_in_a_frame_stay_apart() {
        let tracks = vec![track(&[(0, 1), (1, 1)]), track(&[(0, 2), (1, 2), (2, 2)])];
        let names = vec![vec![(1, 8)], vec![], vec![(2, 8)]];
        let joined = join_by_name(tracks, &names);
        let short = (track(&[(0, 1), (1, 1)]), None);
        let long = (track(&[(0, 2), (1, 2), (2, 2)]), Some(8));
        assert_eq!(joined, vec![short, long]);
    }

    #[test]
    fn most_frames_decide_a_name() {
        let tracks = vec![track(&[(0, 1), (1, 1), (2, 1)])];
        let names = vec![vec![(1, 4)], vec![(1, 3)], vec![(1, 3)]];
        assert_eq!(join_by_name(tracks, &names)[0].1, Some(3));
    }
}
