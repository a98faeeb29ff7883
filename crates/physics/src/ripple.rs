//! Ripple: what swings in a recording, and how fast the pump turns by it.

use crate::NotObservable;
use crate::stats::median;
use foldwatch_units::{Hertz, Micros};
use realfft::RealFftPlanner;
use std::f64::consts::TAU;

/// Samples a second that the highest frequency needs, each Hz: 2 by Nyquist, and some distance (judgement).
const SAMPLES_A_PERIOD: f64 = 2.5;
/// A line must stand this many times above the median of the band, to be one (judgement; noise alone reaches about 4
/// among a few hundred lines).
const STANDS_OUT: f64 = 6.0;
/// Sample spacings may differ from their median by this share; a few more may (judgement).
const EVEN: f64 = 0.25;
/// Fewer periods of the lowest frequency are no spectrum (judgement).
const PERIODS: f64 = 8.0;
/// Pump speeds looked for, in turns a second: 1200 to 6000 a minute (common practice for small pump motors, no source).
const TURNS: (f64, f64) = (20.0, 100.0);

/// A sinusoid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    /// How fast.
    pub frequency: Hertz,
    /// From its middle to its top, in the unit of the values.
    pub amplitude: f64,
}

/// Amplitude of one frequency by Goertzel's algorithm; exact where the stretch holds whole periods.
/// `cycles_a_sample` lies above 0 and below 0.5.
///
/// ```
/// use foldwatch_physics::ripple::goertzel;
/// let wave: Vec<f64> = (0..1000).map(|n| 3.0 + 2.5 * (std::f64::consts::TAU * 0.05 * f64::from(n) + 0.7).sin()).collect();
/// assert!((goertzel(&wave, 0.05) - 2.5).abs() < 1e-9);
/// ```
pub fn goertzel(values: &[f64], cycles_a_sample: f64) -> f64 {
    let (sin, cos) = (TAU * cycles_a_sample).sin_cos();
    let (mut last, mut before) = (0.0, 0.0);
    for x in values {
        (last, before) = (x + 2.0 * cos * last - before, last);
    }
    2.0 / values.len() as f64 * (last - before * cos).hypot(before * sin)
}

/// How a stretch is faded in and out before its spectrum.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fading {
    /// Not at all: exact for whole periods.
    None,
    /// Periodic Hann window: little spills over from strong to distant frequencies.
    Hann,
}

/// Amplitudes at 0, 1, 2, ... cycles a stretch, up to half of the samples, corrected for the fading's own loss. The
/// first one is the size of the mean.
pub fn amplitudes(values: &[f64], fading: Fading) -> Vec<f64> {
    let n = values.len();
    if n == 0 {
        return Vec::new();
    }
    let fade = |i: usize| match fading {
        Fading::None => 1.0,
        Fading::Hann => 0.5 - 0.5 * (TAU * i as f64 / n as f64).cos(),
    };
    let mut input: Vec<f64> = values.iter().enumerate().map(|(i, v)| v * fade(i)).collect();
    let gain: f64 = (0..n).map(fade).sum();
    let transform = RealFftPlanner::new().plan_fft_forward(n);
    let mut output = transform.make_output_vec();
    // Fails only on buffers of the wrong length, and these are the planner's own.
    if transform.process(&mut input, &mut output).is_err() || gain <= 0.0 {
        return Vec::new();
    }
    // Mean and half the sample rate have no mirror image.
    let alone = |i: usize| i == 0 || 2 * i == n;
    output.iter().enumerate().map(|(i, c)| c.norm() / gain * if alone(i) { 1.0 } else { 2.0 }).collect()
}

/// The strongest sinusoid between two frequencies.
///
/// # Errors
/// Says why it can't tell: rate too low for the highest frequency, too short for the lowest, unevenly sampled, or nothing
/// stands out.
pub fn strongest(times: &[Micros], values: &[f32], from: Hertz, to: Hertz) -> Result<Tone, NotObservable> {
    let n = times.len().min(values.len());
    const FEWEST: usize = 32;
    if n < FEWEST {
        return Err(NotObservable::TooFewSamples { have: n, need: FEWEST });
    }
    let (times, values) = (&times[..n], &values[..n]);
    if values.iter().any(|v| !v.is_finite()) || !(from.value() > 0.0 && to > from) {
        return Err(NotObservable::BadInput);
    }
    let steps: Vec<f64> = times.windows(2).map(|pair| (pair[1] - pair[0]).value()).collect();
    let usual = median(&mut steps.clone());
    let odd = steps.iter().filter(|step| (**step - usual).abs() > EVEN * usual).count();
    // A single odd step shifts all that follows by less than itself; many, or a gap, break the phase.
    let gap = steps.iter().any(|step| *step > 2.5 * usual);
    if usual <= 0.0 || gap || odd * 50 > n {
        return Err(NotObservable::UnevenSpacing);
    }
    let length = (times[n - 1] - times[0]).value();
    let rate = (n - 1) as f64 / length;
    let need = SAMPLES_A_PERIOD * to.value();
    if rate < need {
        return Err(NotObservable::RateTooLow { rate, need });
    }
    if length * from.value() < PERIODS {
        return Err(NotObservable::TooShort { seconds: length, need: PERIODS / from.value() });
    }

    let mut level: Vec<f64> = values.iter().map(|v| f64::from(*v)).collect();
    straighten(&mut level);
    let lines = amplitudes(&level, Fading::Hann);
    let place = |f: Hertz| f.value() * n as f64 / rate;
    // Two lines from the band's ends belong to what lies beyond.
    let (first, last) = (place(from).ceil() as usize, (place(to).floor() as usize).min(lines.len() - 2));
    let band = lines.get(first..=last).ok_or(NotObservable::BadInput)?;
    let peak =
        (first..=last).max_by(|a, b| lines[*a].total_cmp(&lines[*b])).ok_or(NotObservable::BadInput)?;
    let usual = median(&mut band.to_vec());
    let a_peak = lines[peak] >= lines[peak - 1] && lines[peak] >= lines[peak + 1];
    if lines[peak] <= 0.0 || !a_peak || lines[peak] < STANDS_OUT * usual {
        return Err(NotObservable::NothingThere);
    }
    // For a Hann window two neighbours tell where between them the frequency lies: their ratio r = (1 + d) / (2 - d)
    // (textbook, from memory), and the window's curve there gives the amplitude.
    let right = lines[peak + 1] > lines[peak - 1];
    let ratio = if right { lines[peak + 1] } else { lines[peak - 1] } / lines[peak];
    let off = ((2.0 * ratio - 1.0) / (1.0 + ratio)).clamp(0.0, 0.5);
    let x = std::f64::consts::PI * off;
    let loss = if off < 1e-9 { 1.0 } else { x.sin() / (x * (1.0 - off * off)) };
    let at = peak as f64 + if right { off } else { -off };
    Ok(Tone { frequency: Hertz(at * rate / n as f64), amplitude: lines[peak] / loss })
}

/// Turns of the pump a second, from the ripple of its pistons (or teeth) in pressure or current: the ripple's frequency
/// is pistons times turns.
///
/// # Errors
/// As [`strongest`]: most logs sample too slowly, and then the ripple they show is an alias.
///
/// ```
/// use foldwatch_physics::{NotObservable, ripple::pump_speed};
/// use foldwatch_units::Micros;
/// let record = |rate: f64| -> (Vec<Micros>, Vec<f32>) {
///     (0..(2.0 * rate) as i64)
///         .map(|i| i as f64 / rate)
///         .map(|t| (Micros::from_secs(t), (80.0 + 3.0 * (std::f64::consts::TAU * 3.0 * 48.5 * t).sin()) as f32))
///         .unzip()
/// };
/// let (times, pressures) = record(1000.0);
/// let (turns, ripple) = pump_speed(&times, &pressures, 3)?;
/// assert!((turns.value() - 48.5).abs() < 0.05 && (ripple.amplitude - 3.0).abs() < 0.05);
///
/// let (times, pressures) = record(100.0);
/// assert!(matches!(pump_speed(&times, &pressures, 3), Err(NotObservable::RateTooLow { .. })));
/// # Ok::<(), NotObservable>(())
/// ```
pub fn pump_speed(times: &[Micros], values: &[f32], pistons: u32) -> Result<(Hertz, Tone), NotObservable> {
    if pistons == 0 {
        return Err(NotObservable::BadInput);
    }
    let pistons = f64::from(pistons);
    let tone = strongest(times, values, Hertz(TURNS.0 * pistons), Hertz(TURNS.1 * pistons))?;
    Ok((tone.frequency / pistons, tone))
}

/// Takes mean and slope away.
fn straighten(values: &mut [f64]) {
    let n = values.len() as f64;
    let middle = 0.5 * (n - 1.0);
    let mean = values.iter().sum::<f64>() / n;
    let slope = values.iter().enumerate().map(|(i, v)| (i as f64 - middle) * v).sum::<f64>()
        / (n * (n * n - 1.0) / 12.0);
    for (i, v) in values.iter_mut().enumerate() {
        *v -= mean + slope * (i as f64 - middle);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand::{Rng, SeedableRng};
    use rand_pcg::Pcg64;

    fn wave(n: u32, mean: f64, amplitude: f64, cycles: f64, phase: f64) -> Vec<f64> {
        (0..n)
            .map(|i| mean + amplitude * (TAU * cycles * f64::from(i) / f64::from(n) + phase).sin())
            .collect()
    }

    /// A sine on a line of the spectrum: its amplitude, by transform and by Goertzel; and Parseval's sum.
    #[test]
    fn a_sine_on_a_line() {
        let x = wave(1000, 3.0, 2.5, 50.0, 0.7);
        let lines = amplitudes(&x, Fading::None);
        assert!((lines[0] - 3.0).abs() < 1e-9 && (lines[50] - 2.5).abs() < 1e-9);
        assert!((lines[50] / 2f64.sqrt() - 1.7677670).abs() < 5e-8);
        assert!((goertzel(&x, 0.05) - 2.5).abs() < 1e-9);
        let squares: f64 = x.iter().map(|x| x * x).sum();
        let by_lines = 1000.0 * (lines[0].powi(2) + 0.5 * lines[1..].iter().map(|a| a * a).sum::<f64>());
        assert!((squares - 12125.0).abs() < 1e-6 && (by_lines - 12125.0).abs() < 1e-6);
    }

    /// Half-way between two lines (values recomputed with numpy.fft).
    #[test]
    fn a_sine_between_lines() {
        let x = wave(1000, 0.0, 1.0, 50.5, 0.0);
        assert!((amplitudes(&x, Fading::None)[50] - 0.639681).abs() < 5e-7);
        assert!((amplitudes(&x, Fading::Hann)[50] - 0.848826).abs() < 5e-7);
    }

    #[test]
    fn says_why_it_can_not_tell() {
        let at = |rate: f64, n: u32| -> Vec<Micros> {
            (0..n).map(|i| Micros::from_secs(f64::from(i) / rate)).collect()
        };
        let mut rng = Pcg64::seed_from_u64(1);
        let noise: Vec<f32> = (0..2000).map(|_| rng.random_range(70.0..90.0)).collect();
        let speed = |times: &[Micros], values: &[f32]| pump_speed(times, values, 3).unwrap_err();
        assert_eq!(speed(&at(1000.0, 2000), &noise), NotObservable::NothingThere);
        assert_eq!(speed(&at(1000.0, 2000), &[80.0; 2000]), NotObservable::NothingThere);
        assert!(matches!(speed(&at(1000.0, 60), &noise), NotObservable::TooShort { .. }));
        assert!(matches!(speed(&at(1000.0, 20), &noise), NotObservable::TooFewSamples { .. }));
        assert!(matches!(speed(&at(500.0, 2000), &noise), NotObservable::RateTooLow { .. }));
        let mut gap = at(1000.0, 2000);
        gap[1000..].iter_mut().for_each(|t| t.0 += 20_000);
        assert_eq!(speed(&gap, &noise), NotObservable::UnevenSpacing);
        assert_eq!(pump_speed(&gap, &noise, 0), Err(NotObservable::BadInput));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        #[test]
        fn a_tone_in_noise_is_found(f in 30f64..180.0, amplitude in 1f64..5.0, phase in 0f64..6.0, drift in -5f64..5.0) {
            let rate = 500.0;
            let mut rng = Pcg64::seed_from_u64(2);
            let (times, values): (Vec<_>, Vec<_>) = (0..1000u32)
                .map(|i| {
                    let t = f64::from(i) / rate;
                    let noise = rng.random_range(-0.5..0.5);
                    let v = 90.0 + drift * t + amplitude * (TAU * f * t + phase).sin() + noise;
                    (Micros::from_secs(t), v as f32)
                })
                .unzip();
            let tone = strongest(&times, &values, Hertz(20.0), Hertz(200.0)).unwrap();
            prop_assert!((tone.frequency.value() - f).abs() < 0.06, "{tone:?}");
            prop_assert!((tone.amplitude / amplitude - 1.0).abs() < 0.08, "{tone:?}");
        }
    }
}
