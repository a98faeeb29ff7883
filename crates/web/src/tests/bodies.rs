//! Bodies that nobody would send by mistake: each is answered, and never as if the fault were ours.

use super::*;

/// How many bodies; 900 where it is not set.
const BODIES: &str = "FOLDWATCH_TEST_BODIES";
const JSON: &str = "application/json";
const FORM: &str = "application/x-www-form-urlencoded";
/// Where something can be entered, how, and a body that is taken there. Signing in is left out: a hash takes its time.
const TAKEN: [(&str, &str, &str); 12] = [
    (
        "/api/v1/cars/car-1/record",
        JSON,
        r#"{"kind":"service","at":"2025-06-02T00:00:00Z","subject":"oil","author":"ann"}"#,
    ),
    (
        "/api/v1/cars/car-1/record",
        "text/csv",
        "kind,at,subject,text,author\nnote,2025-06-02,\"a \"\"b\"\"\",c,d\n",
    ),
    ("/api/v1/cars/car-1/checks", JSON, r#"{"check":"output-follows","result":"stays","author":"ann"}"#),
    ("/api/v1/cars/car-1/guide", JSON, r#"{"test":"commissioning"}"#),
    ("/api/v1/cars/car-1/guide/answer", JSON, r#"{"at":0,"answer":"did-not"}"#),
    ("/api/v1/cars/car-1/guide/stop", JSON, r#"{"keep":true,"author":"ann"}"#),
    (
        "/api/v1/cars/car-1/evidence",
        JSON,
        r#"{"from":"2025-06-02T00:00:00Z","until":"2025-06-03T00:00:00Z"}"#,
    ),
    (
        "/cars/car-1/record",
        FORM,
        "kind=service&at=2025-06-02T10%3A00&subject=oil+changed&text=%C3%A4&corrects=",
    ),
    ("/cars/car-1/checks", FORM, "check=output-follows&result=stays&author=ann"),
    ("/cars/car-1/guide/press", FORM, "at=0&answer=did-not"),
    ("/ports/fit", FORM, "logger=0000002A&car=car-1"),
    ("/cars/car-1/evidence", FORM, "from=2025-06-02T00%3A00&until=2025-06-03T00%3A00"),
];

/// Chance that repeats.
struct Chance(u64);

impl Chance {
    fn next(&mut self, below: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as usize % below.max(1)
    }

    /// A few bytes of it changed, put in, taken out, said twice.
    fn change(&mut self, bytes: &mut Vec<u8>) {
        const TELLING: [&[u8]; 8] =
            [b"null", b"-1", b"1e999", b"18446744073709551616", b"\"", b"{[", b"%00%ff", b"\xff\xfe"];
        for _ in 0..1 + self.next(4) {
            let at = self.next(bytes.len() + 1);
            match self.next(5) {
                0 if at < bytes.len() => bytes[at] ^= 1 << self.next(8),
                1 => drop(bytes.splice(at..at, TELLING[self.next(8)].iter().copied())),
                2 => drop(bytes.drain(at..(at + self.next(9)).min(bytes.len()))),
                3 => {
                    let twice = bytes[at..(at + self.next(40)).min(bytes.len())].to_vec();
                    drop(bytes.splice(at..at, twice));
                }
                _ => bytes.insert(at, self.next(256) as u8),
            }
        }
    }
}

#[tokio::test]
async fn whatever_is_sent_is_answered_and_is_no_fault_of_ours() {
    let many: usize = std::env::var(BODIES).map_or(900, |many| many.parse().unwrap());
    let Scene { app, .. } = scene();
    let pages = router(app);
    let mut chance = Chance(0x5EED);
    let mut taken = 0;
    for n in 0..many {
        let (path, kind, body) = TAKEN[n % TAKEN.len()];
        let mut body = body.as_bytes().to_vec();
        // The first of each as it stands.
        if n >= TAKEN.len() {
            chance.change(&mut body);
        }
        let mut request = Request::post(path)
            .header(header::HOST, "localhost")
            .header(header::ORIGIN, "http://localhost")
            .header(header::AUTHORIZATION, "Bearer bob")
            .header(header::CONTENT_TYPE, kind)
            .body(Body::from(body.clone()))
            .unwrap();
        request.extensions_mut().insert(Peer { address: "127.0.0.1".parse().unwrap(), encrypted: false });
        let status = pages.clone().oneshot(request).await.unwrap().status();
        assert!(status.as_u16() < 500, "{path}: {status} for {:?}", String::from_utf8_lossy(&body));
        taken += usize::from(!status.is_client_error());
    }
    println!("{many} bodies, {taken} taken");
    assert!(taken > many / 20, "hardly any gets beyond the first look");
}
