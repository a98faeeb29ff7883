//! The coverage and false-alarm experiments.
#![allow(clippy::unwrap_used, reason = "an experiment that cannot be made should stop")]

mod world;
use foldwatch_trend::stats::{correlated, mann_kendall, order, theil_sen};
use world::*;

fn main() {
    let mut rng = generator(1);
    for (name, noise) in
        [("white", WHITE), ("odd", ODD), ("chained", CHAINED), ("weather", WEATHER), ("rough", ROUGH)]
    {
        for n in [30usize, 60, 120, 250, 400] {
            let runs = 1000;
            let (mut plain, mut hr, mut ar, mut gls, mut rel, mut w) = (0, 0, 0, 0, vec![], vec![]);
            let mut null = 0;
            for _ in 0..runs {
                let rate = 0.4 / 1000.0;
                let c = car(&mut rng, noise, Wear::Steady(rate), 2.0, n);
                let truth = rate * FIRST_LEVEL;
                let x: Vec<f64> = (0..n).map(|i| i as f64).collect();
                let line = theil_sen::theil_sen(&x, &c.values, 0.95).unwrap();
                plain += usize::from(line.low <= truth && truth <= line.high);
                let mk = mann_kendall::mann_kendall(&c.values).unwrap();
                let h = mann_kendall::hamed_rao(&c.values, None, 0.05).unwrap_or(mk);
                let f = (h.variance / mk.variance).sqrt();
                let half = 0.5 * (line.high - line.low);
                hr += usize::from((line.slope - truth).abs() <= half * f);
                let mut res: Vec<f64> =
                    x.iter().zip(&c.values).map(|(x, y)| y - line.intercept - line.slope * x).collect();
                let r = mann_kendall::autocorrelation(&res, 1)[0].max(0.0);
                ar += usize::from((line.slope - truth).abs() <= half * ((1.0 + r) / (1.0 - r)).sqrt());
                let sd = order::scaled_mad(&res).unwrap();
                res.iter_mut().for_each(|r| *r = r.clamp(-3.0 * sd, 3.0 * sd));
                let m = (n - 1) as f64 / 2.0;
                let rows: Vec<[f64; 2]> = x.iter().map(|x| [1.0, x - m]).collect();
                let fit = correlated::fit(&rows, &c.days, &res).unwrap();
                let (lo, hi, c) =
                    (fit.quantile([0., 1.], 0.025), fit.quantile([0., 1.], 0.975), fit.value([0., 1.]));
                let u = (hi - lo) / 2.0;
                gls += usize::from(
                    line.slope + (lo - c) * 1.0233 <= truth && truth <= line.slope + (hi - c) * 1.0233,
                );
                null += usize::from(lo + line.slope <= truth && truth <= line.slope + hi);
                rel.push((line.slope / truth - 1.0).abs());
                w.push(u / truth);
            }
            let pc = |k: usize| 100.0 * k as f64 / runs as f64;
            println!(
                "{name:8} {n:4} sen {:5.1} hr {:5.1} ar1 {:5.1} gls {:5.1} glsb {:5.1} median err {:5.3} halfwidth {:5.3}",
                pc(plain),
                pc(hr),
                pc(ar),
                pc(gls),
                pc(null),
                order::median(&mut rel).unwrap(),
                order::median(&mut w).unwrap()
            );
        }
    }
}
