//! The door: who calls, and the steps of signing in.

use std::time::{Duration, Instant};

use crate::accounts::{Accounts, Person};
use crate::sessions::Sessions;
use crate::{Attempts, By, Caller, Need, Pace, Place, Random, Role, secret};

/// A request is not let in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// Nobody is signed in, or no longer.
    SignIn,
    /// The token is none, or none any more.
    Token,
    /// Somebody is known who may not do this.
    Role(Role),
    /// Name and password don't fit.
    Password,
    /// Too fast: after so long it may be tried again.
    Wait(Duration),
}

/// What a request shows of itself.
#[derive(Debug, Clone, Copy)]
pub struct Shown<'a> {
    /// Where it comes from.
    pub place: &'a Place,
    /// It comes from this machine and calls it by one of its own names, and nothing has passed it on: then whoever asks
    /// sits here, and it is no page of another site that makes the browser ask.
    pub from_here: bool,
    /// A token.
    pub token: Option<&'a str>,
    /// A session's key.
    pub session: Option<&'a str>,
}

/// A password is to be checked, outside of the door's lock.
#[derive(Debug, Clone)]
pub struct Challenge {
    name: String,
    hash: String,
    known: bool,
    place: Place,
}

impl Challenge {
    /// Whether a password is the one. Slow, and as slow for a name that is not there.
    pub fn fits(&self, password: &str) -> bool {
        secret::fits(password, &self.hash) && self.known
    }
}

/// Somebody signed in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignedIn {
    /// Who.
    pub caller: Caller,
    /// The session's key, for the browser.
    pub session: String,
    /// What the browser shows when it comes again, so that others' guesses don't slow it.
    pub device: String,
}

/// A hash that no password is known for.
const NOBODY: &str =
    "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";

/// The door.
#[derive(Debug)]
pub struct Guard {
    accounts: Accounts,
    sessions: Sessions,
    attempts: Attempts,
    pace: Pace,
}

impl Guard {
    /// A door for these people, with a bound on requests.
    pub fn new(accounts: Accounts, pace: Pace) -> Self {
        Guard { accounts, sessions: Sessions::default(), attempts: Attempts::default(), pace }
    }

    /// Other people from now on; what is open of those who are gone or have another password is over.
    pub fn set_accounts(&mut self, accounts: Accounts) {
        self.accounts = accounts;
    }

    /// Who asks for something that needs so much; `None`: nobody is known, and nobody needs to be.
    ///
    /// # Errors
    /// Why it is not let in.
    pub fn admit(&mut self, shown: Shown<'_>, need: Need, now: Instant) -> Result<Option<Caller>, Refusal> {
        self.pace.take(shown.place, now).map_err(Refusal::Wait)?;
        let caller = match self.caller(shown, now) {
            Ok(caller) => caller,
            // With a wrong token nobody looks, not even from here: who shows one means to be somebody.
            Err(refusal) => return if need == Need::Nothing { Ok(None) } else { Err(refusal) },
        };
        match (need, &caller) {
            (Need::Nothing, _) => Ok(caller),
            (Need::Role(least), Some(found)) if found.role >= least => Ok(caller),
            // Whoever is only known to be here may become somebody.
            (Need::Role(_), None | Some(Caller { by: By::Machine, .. })) => Err(Refusal::SignIn),
            (Need::Role(least), Some(_)) => Err(Refusal::Role(least)),
        }
    }

    fn caller(&mut self, shown: Shown<'_>, now: Instant) -> Result<Option<Caller>, Refusal> {
        if let Some(token) = shown.token {
            let digest = secret::digest(token);
            // A digest says nothing of the token: how long the comparison takes gives nothing away.
            let found =
                self.accounts.token.iter().find(|token| token.sha256 == digest).ok_or(Refusal::Token)?;
            return Ok(Some(Caller { name: found.name.clone(), role: found.role, by: By::Token }));
        }
        if let Some((name, password)) =
            shown.session.and_then(|session| self.sessions.name(&secret::digest(session), now))
            && let Some(person) = self.person(&name).filter(|person| person.password == password)
        {
            return Ok(Some(Caller { name, role: person.role, by: By::Session }));
        }
        Ok(shown.from_here.then(Caller::machine))
    }

    fn person(&self, name: &str) -> Option<&Person> {
        self.accounts.person.iter().find(|person| person.name == name)
    }

    /// Somebody wants to sign in: what their password is to be checked against.
    ///
    /// # Errors
    /// [`Refusal::Wait`] after too many guesses.
    pub fn begin(
        &self,
        name: &str,
        place: &Place,
        device: Option<&str>,
        now: Instant,
    ) -> Result<Challenge, Refusal> {
        let device = device.map(secret::digest).filter(|device| self.sessions.is_known(name, device));
        let place = match (place, device) {
            (Place::Net(_), Some(device)) => Place::Device(device),
            _ => place.clone(),
        };
        if let Some(wait) = self.attempts.wait(name, &place, now) {
            return Err(Refusal::Wait(wait));
        }
        let found = self.person(name);
        Ok(Challenge {
            name: name.to_owned(),
            hash: found.map_or(NOBODY, |person| &person.password).to_owned(),
            known: found.is_some(),
            place,
        })
    }

    /// The password fitted or did not.
    ///
    /// # Errors
    /// [`Refusal::Password`].
    pub fn finish(
        &mut self,
        challenge: &Challenge,
        fitted: bool,
        random: (&Random, &Random),
        now: Instant,
    ) -> Result<SignedIn, Refusal> {
        let person = self.person(&challenge.name).filter(|person| person.password == challenge.hash);
        let Some(person) = person.filter(|_| fitted).cloned() else {
            self.attempts.missed(&challenge.name, &challenge.place, now);
            return Err(Refusal::Password);
        };
        self.attempts.right(&challenge.name, &challenge.place);
        let (session, device) = (secret::secret(random.0), secret::secret(random.1));
        self.sessions.begin(secret::digest(&session), &person.name, &person.password, now);
        self.sessions.know(&person.name, &secret::digest(&device), now);
        let caller = Caller { name: person.name, role: person.role, by: By::Session };
        Ok(SignedIn { caller, session, device })
    }

    /// Ends a session; whose it was.
    pub fn sign_out(&mut self, session: &str) -> Option<String> {
        self.sessions.end(&secret::digest(session))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Token, need};

    const READ: Need = Need::Role(Role::Look);
    const WRITE: Need = Need::Role(Role::Work);

    fn guard() -> Guard {
        let person = |name: &str, role| Person {
            name: name.into(),
            role,
            password: secret::hashed(&format!("password of {name}"), &[3; 32]).unwrap(),
        };
        let token = |name: &str, role| Token { name: name.into(), role, sha256: secret::digest(name) };
        let accounts = Accounts {
            person: vec![
                person("ann", Role::Administer),
                person("bob", Role::Work),
                person("eve", Role::Look),
            ],
            token: vec![token("wall", Role::Look), token("tool", Role::Work)],
        };
        Guard::new(accounts, Pace::new(1000, 1000))
    }

    fn nothing(place: &Place) -> Shown<'_> {
        Shown { place, from_here: *place == Place::Here, token: None, session: None }
    }

    fn sign_in(guard: &mut Guard, name: &str, now: Instant) -> SignedIn {
        let challenge = guard.begin(name, &Place::Here, None, now).unwrap();
        let fits = challenge.fits(&format!("password of {name}"));
        guard.finish(&challenge, fits, (&[name.as_bytes()[0]; 32], &[9; 32]), now).unwrap()
    }

    #[test]
    fn here_one_may_look_and_elsewhere_nothing() {
        let mut guard = guard();
        let now = Instant::now();
        let far = Place::of([192, 0, 2, 1].into());
        assert_eq!(guard.admit(nothing(&Place::Here), READ, now).unwrap().unwrap().by, By::Machine);
        assert_eq!(guard.admit(nothing(&Place::Here), WRITE, now), Err(Refusal::SignIn));
        assert_eq!(guard.admit(nothing(&far), READ, now), Err(Refusal::SignIn));
        assert_eq!(guard.admit(nothing(&far), Need::Nothing, now), Ok(None));
        // A page of another site that lets the browser ask this machine, or a proxy here, is not "here".
        let passed_on = Shown { from_here: false, ..nothing(&Place::Here) };
        assert_eq!(guard.admit(passed_on, READ, now), Err(Refusal::SignIn));
    }

    #[test]
    fn each_role_may_what_it_says_and_no_more() {
        let mut guard = guard();
        let now = Instant::now();
        let trail = need("GET", "/api/v1/trail");
        for (name, write, administer) in [("ann", true, true), ("bob", true, false), ("eve", false, false)] {
            let session = sign_in(&mut guard, name, now).session;
            let shown = Shown { session: Some(&session), ..nothing(&Place::Here) };
            assert!(guard.admit(shown, READ, now).is_ok());
            assert_eq!(guard.admit(shown, WRITE, now).is_ok(), write, "{name}");
            assert_eq!(guard.admit(shown, trail, now).is_ok(), administer, "{name}");
        }
        for (token, read, write) in [("wall", true, false), ("tool", true, true), ("wrong", false, false)] {
            let shown = Shown { token: Some(token), ..nothing(&Place::Here) };
            assert_eq!(guard.admit(shown, READ, now).is_ok(), read, "{token}");
            assert_eq!(guard.admit(shown, WRITE, now).is_ok(), write, "{token}");
        }
    }

    #[test]
    fn a_session_is_over_with_signing_out_with_the_person_and_with_another_password() {
        let now = Instant::now();
        let ends: [fn(&mut Guard, &str); 3] = [
            |guard, session| assert_eq!(guard.sign_out(session).as_deref(), Some("bob")),
            |guard, _| {
                let mut accounts = guard.accounts.clone();
                accounts.remove_person("bob").unwrap();
                guard.set_accounts(accounts);
            },
            |guard, _| {
                let mut accounts = guard.accounts.clone();
                accounts.set_password("bob", secret::hashed("another", &[4; 32]).unwrap()).unwrap();
                guard.set_accounts(accounts);
            },
        ];
        for end in ends {
            let mut guard = guard();
            let session = sign_in(&mut guard, "bob", now).session;
            let shown = Shown { session: Some(&session), ..nothing(&Place::Here) };
            assert!(guard.admit(shown, WRITE, now).is_ok());
            end(&mut guard, &session);
            assert_eq!(guard.admit(shown, WRITE, now), Err(Refusal::SignIn));
        }
    }

    #[test]
    fn a_role_that_is_taken_away_is_gone_at_once() {
        let mut guard = guard();
        let now = Instant::now();
        let session = sign_in(&mut guard, "bob", now).session;
        let mut accounts = guard.accounts.clone();
        accounts.set_role("bob", Role::Look).unwrap();
        guard.set_accounts(accounts);
        let shown = Shown { session: Some(&session), ..nothing(&Place::Here) };
        assert_eq!(guard.admit(shown, WRITE, now), Err(Refusal::Role(Role::Work)));
    }

    #[test]
    fn guessers_wait_and_a_browser_that_was_here_does_not() {
        let mut guard = guard();
        let now = Instant::now();
        let far = Place::of([192, 0, 2, 1].into());
        let device = sign_in(&mut guard, "ann", now).device;
        let mut told = 0;
        for n in 0..60u8 {
            let place = Place::of([192, 0, 2, n].into());
            match guard.begin("ann", &place, None, now) {
                Ok(challenge) => {
                    told += 1;
                    guard.finish(&challenge, false, (&[0; 32], &[0; 32]), now).unwrap_err();
                }
                Err(refusal) => assert!(matches!(refusal, Refusal::Wait(_))),
            }
        }
        assert_eq!(told, 30);
        assert!(matches!(guard.begin("ann", &far, None, now), Err(Refusal::Wait(_))));
        assert!(matches!(guard.begin("ann", &far, Some("made up"), now), Err(Refusal::Wait(_))));
        assert!(guard.begin("ann", &far, Some(&device), now).is_ok());
        assert!(guard.begin("ann", &Place::Here, None, now).is_ok());
        // The browser was let in for one name.
        assert!(matches!(
            guard.begin("bob", &far, Some(&device), now),
            Ok(Challenge { place: Place::Net(_), .. })
        ));
    }

    #[test]
    fn a_name_that_is_not_there_is_checked_like_one_that_is() {
        let mut guard = guard();
        let now = Instant::now();
        assert!(secret::checked(NOBODY).is_ok(), "the stand-in takes as long");
        let challenge = guard.begin("nobody", &Place::Here, None, now).unwrap();
        assert!(!challenge.fits(""));
        assert_eq!(guard.finish(&challenge, true, (&[0; 32], &[0; 32]), now), Err(Refusal::Password));
    }
}
