//! Any bytes at a logger that listens to a host.
#![no_main]

use foldwatch_encoder::{Encoding, Reply, ReplyReader};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    for (encoding, of_frames) in
        [(Encoding::Packed, foldwatch_wire::Encoding::Packed), (Encoding::Text, foldwatch_wire::Encoding::Text)]
    {
        let checked = foldwatch_fuzz::with_checks(data, of_frames);
        for stream in [data, &checked] {
            let mut reader = ReplyReader::new(encoding);
            for reply in stream.iter().filter_map(|byte| reader.push(*byte)) {
                let mut bytes = [0; Reply::MAX_LEN];
                let n = reply.encode(encoding, &mut bytes).expect("a reply that was read can be written");
                let mut again = ReplyReader::new(encoding);
                assert_eq!(bytes[..n].iter().find_map(|byte| again.push(*byte)), Some(reply));
            }
        }
    }
});
