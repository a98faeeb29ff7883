//! Prints a profile in plain words, or the reference of every key: `cargo run -p foldwatch-profile --example explain
//! -- [FILE]`.

fn main() -> std::process::ExitCode {
    let Some(path) = std::env::args().nth(1) else {
        print!("{}", foldwatch_profile::key_reference());
        return std::process::ExitCode::SUCCESS;
    };
    let text = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) => {
            eprintln!("{path}: {error}");
            return std::process::ExitCode::FAILURE;
        }
    };
    match foldwatch_profile::parse(&text) {
        Ok(loaded) => {
            print!("{}", foldwatch_profile::explain(&loaded.profile));
            // What is not given stands in the explanation already.
            let odd = loaded.advice.iter().filter(|advice| advice.found != "not given");
            odd.for_each(|advice| println!("{path}, {advice}"));
            std::process::ExitCode::SUCCESS
        }
        Err(problems) => {
            problems.iter().for_each(|problem| eprintln!("{path}, {problem}"));
            std::process::ExitCode::FAILURE
        }
    }
}
