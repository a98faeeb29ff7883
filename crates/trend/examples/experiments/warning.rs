//! Warning: how long before the limit a wearing car is noticed and called, among healthy ones.

use crate::world::{Car, FIRST_LEVEL, Wear, car, generator, mixed, moment};
use crate::{percent, quantile};
use foldwatch_trend::fleet::{Call, Entry, Order, rank};
use foldwatch_trend::{Assessment, Forecast, Series, Worse, assess};
use rand::Rng;

const WORN: usize = 40;
const WELL: usize = 200;
const LIMIT: f64 = 1.4 * FIRST_LEVEL;
const DAYS: u32 = 730;

pub fn run() {
    println!(
        "Warning, {WORN} wearing series among {WELL} well ones (mixed fleet), one to three outings a day, looked through once a"
    );
    println!(
        "week for two years; limit 40 % above the first level, reached this many days after wear sets in"
    );
    println!(
        "wear lasts  noticed (alarm)  called (book)  date within 60 d  called before limit  false calls  lead of 9 in 10"
    );
    for (low, high) in [(60.0, 120.0), (120.0, 240.0), (240.0, 480.0)] {
        one(low, high);
    }
}

fn one(low: f64, high: f64) {
    let mut rng = generator(505);
    let cars: Vec<Car> = (0..WORN + WELL)
        .map(|ix| {
            let noise = mixed(&mut rng);
            let outings = rng.random_range(1.0..3.0);
            let wear = if ix < WORN {
                let start = rng.random_range(80.0..160.0) * outings;
                Wear::From(start, 0.4 / (rng.random_range(low..high) * outings))
            } else {
                Wear::None
            };
            car(&mut rng, noise, wear, outings, (outings * f64::from(DAYS)) as usize)
        })
        .collect();
    let end: Vec<Option<f64>> =
        cars.iter().map(|c| c.levels.iter().position(|l| *l >= LIMIT).map(|i| c.days[i])).collect();
    let mut series: Vec<Series> = cars.iter().map(|_| Series::new(Worse::Higher)).collect();
    let mut noticed = vec![None; cars.len()];
    let mut called = vec![None; cars.len()];
    let mut dated = vec![None; cars.len()];
    for week in 1..=DAYS / 7 {
        let now = f64::from(week * 7);
        for (car, series) in cars.iter().zip(&mut series) {
            let from = series.total() as usize;
            for cycle in (from..car.days.len()).take_while(|c| car.days[*c] < now) {
                series.push(car.point(cycle)).unwrap();
            }
        }
        // A car past its limit has left the experiment.
        let open: Vec<usize> = (0..cars.len()).filter(|i| end[*i].is_none_or(|e| now < e)).collect();
        let at = moment(now);
        let found: Vec<(usize, Assessment)> =
            open.into_iter().filter_map(|i| Some((i, assess(&series[i], at, Some(LIMIT))?))).collect();
        let entries: Vec<Entry<'_>> = found
            .iter()
            .map(|(_, assessment)| Entry { kind: "roof", series: "phase", worse: Worse::Higher, assessment })
            .collect();
        for standing in rank(&entries, at, Order::Days) {
            let (ix, assessment) = &found[standing.entry];
            if assessment.watch.alarm.is_some() {
                noticed[*ix].get_or_insert(now);
            }
            if standing.call == Call::Book {
                called[*ix].get_or_insert(now);
            }
            if let Forecast::Likely { earliest, .. } = assessment.forecast
                && standing.call == Call::Book
                && (earliest.at - at).0 / 86_400.0 <= 60.0
            {
                dated[*ix].get_or_insert(now);
            }
        }
    }
    let lead =
        |first: &[Option<f64>]| -> Vec<f64> { (0..WORN).filter_map(|i| Some(end[i]? - first[i]?)).collect() };
    let reached = (0..WORN).filter(|i| end[*i].is_some()).count();
    let in_time = (0..WORN).filter(|i| end[*i].is_some() && called[*i].is_some()).count();
    let wrong = called[WORN..].iter().filter(|c| c.is_some()).count();
    println!(
        "{low:3.0}-{high:3.0} d {:12.0} d {:13.0} d {:14.0} d {:17.1} % {:9} of {WELL} {:14.0} d",
        quantile(&mut lead(&noticed), 0.5),
        quantile(&mut lead(&called), 0.5),
        quantile(&mut lead(&dated), 0.5),
        percent(in_time, reached),
        wrong,
        quantile(&mut lead(&called), 0.1),
    );
}
