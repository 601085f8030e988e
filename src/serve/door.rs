//! Who may come in over the network: a code that opens once, and sessions for who gave it.

use std::time::{Duration, Instant};

use rand::RngExt;
use subtle::ConstantTimeEq;

/// Digits of a code: with [`MOST_WRONG`] tries a minute, guessing it takes years.
const DIGITS: usize = 8;
/// Wrong codes after which a new one holds and none is heard for a while.
const MOST_WRONG: u32 = 5;
/// How long no code is heard then.
const LOCKED: Duration = Duration::from_secs(60);
/// Devices that may be in at a time; one more shows the first one out.
const MOST_SESSIONS: usize = 16;
/// Bytes of a session's secret.
const SECRET_BYTES: usize = 32;

/// What came of a code that was given.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Knock {
    /// It is right; the session's secret. A new code holds.
    In(String),
    /// It is wrong.
    Wrong,
    /// It is wrong, and one time too often: a new code holds, and none is heard for a while.
    Locked,
    /// None is heard at the moment.
    Deaf,
}

/// The code that holds, and who is in.
#[derive(Debug)]
pub(super) struct Door {
    code: String,
    n_wrong: u32,
    deaf_until: Option<Instant>,
    sessions: Vec<String>,
}

impl Door {
    /// A door with a fresh code.
    pub(super) fn new() -> Self {
        Self {
            code: fresh_code(),
            n_wrong: 0,
            deaf_until: None,
            sessions: Vec::new(),
        }
    }

    /// The code that opens next.
    pub(super) fn code(&self) -> &str {
        &self.code
    }

    /// Takes a code as typed: spaces do not count.
    pub(super) fn knock(&mut self, typed: &str, now: Instant) -> Knock {
        if self.deaf_until.is_some_and(|until| now < until) {
            return Knock::Deaf;
        }
        let typed: String = typed.chars().filter(|c| !c.is_whitespace()).collect();
        if !is_same(&typed, &self.code) {
            return self.wrong(now);
        }
        self.code = fresh_code();
        self.n_wrong = 0;
        let secret = fresh_secret();
        if MOST_SESSIONS <= self.sessions.len() {
            self.sessions.remove(0);
        }
        self.sessions.push(secret.clone());
        Knock::In(secret)
    }

    fn wrong(&mut self, now: Instant) -> Knock {
        self.n_wrong += 1;
        if self.n_wrong < MOST_WRONG {
            return Knock::Wrong;
        }
        self.n_wrong = 0;
        self.code = fresh_code();
        self.deaf_until = Some(now + LOCKED);
        Knock::Locked
    }

    /// Whether a secret is that of a session.
    pub(super) fn knows(&self, secret: &str) -> bool {
        // All are compared, so that the time does not tell which one it is.
        let known = self.sessions.iter().map(|one| is_same(secret, one));
        known.fold(false, |any, one| any | one)
    }
}

/// Compares in a time that does not depend on where the two differ.
fn is_same(a: &str, b: &str) -> bool {
    a.as_bytes().ct_eq(b.as_bytes()).into()
}

fn fresh_code() -> String {
    let mut dice = rand::rng();
    (0..DIGITS)
        .map(|_| char::from(b'0' + dice.random_range(0..10u8)))
        .collect()
}

fn fresh_secret() -> String {
    let bytes: [u8; SECRET_BYTES] = rand::rng().random();
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::clock;

    fn wrong_code(door: &Door) -> &'static str {
        if door.code() == "00000000" {
            "00000001"
        } else {
            "00000000"
        }
    }

    #[test]
    fn a_code_opens_once() {
        let mut door = Door::new();
        let now = clock::instant();
        let code = door.code().to_owned();
        let spaced = format!(" {} {} ", &code[..4], &code[4..]);
        let Knock::In(secret) = door.knock(&spaced, now) else {
            panic!("the right code");
        };
        assert!(door.knows(&secret) && !door.knows("") && !door.knows(&secret[1..]));
        assert_ne!(door.code(), code);
        assert_eq!(door.knock(&code, now), Knock::Wrong);
    }

    #[test]
    fn guessing_changes_the_code_and_then_nobody_listens_for_a_while() {
        let mut door = Door::new();
        let now = clock::instant();
        let code = door.code().to_owned();
        for _ in 1..MOST_WRONG {
            assert_eq!(door.knock(wrong_code(&door), now), Knock::Wrong);
        }
        assert_eq!(door.knock(wrong_code(&door), now), Knock::Locked);
        assert_ne!(door.code(), code);
        let right = door.code().to_owned();
        assert_eq!(
            door.knock(&right, now + LOCKED - Duration::from_secs(1)),
            Knock::Deaf
        );
        assert!(matches!(door.knock(&right, now + LOCKED), Knock::In(_)));
    }

    #[test]
    fn the_first_device_goes_when_too_many_come() {
        let mut door = Door::new();
        let now = clock::instant();
        let mut secrets = Vec::new();
        for _ in 0..=MOST_SESSIONS {
            let code = door.code().to_owned();
            if let Knock::In(secret) = door.knock(&code, now) {
                secrets.push(secret);
            }
        }
        assert!(!door.knows(&secrets[0]) && door.knows(&secrets[1]));
        assert!(door.knows(&secrets[MOST_SESSIONS]));
    }

    #[test]
    fn codes_and_secrets_are_long_and_differ() {
        assert_eq!(fresh_code().len(), DIGITS);
        assert_eq!(fresh_secret().len(), 2 * SECRET_BYTES);
        assert_ne!(fresh_secret(), fresh_secret());
    }
}
