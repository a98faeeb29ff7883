//! The shapes of trends and comparisons in JSON: one for the command line, the API and the pages.

use foldwatch_trend::stats::rank_tests::Distribution;
use foldwatch_trend::{self as trend, Assessment, Comparison, Forecast, Verdict, words};
use foldwatch_units::Micros;
use serde::Serialize;

use crate::time::rfc3339;

/// What a series of numbers is of.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, utoipa::ToSchema)]
pub struct Of {
    /// The car's id.
    pub car: String,
    /// `opening` or `closing`.
    pub direction: String,
    /// The step; left out for a number of the whole cycle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phase: Option<String>,
    /// `time`, or a measure's name.
    pub measure: String,
    /// The unit of its numbers.
    pub unit: String,
}

impl Of {
    /// The step, or the measure's name, or both: what stands in a table beside the direction.
    pub fn step(&self) -> String {
        match (&self.phase, self.measure.as_str()) {
            (Some(phase), "time") => phase.clone(),
            (Some(phase), measure) => format!("{phase}: {measure}"),
            (None, measure) => measure.to_owned(),
        }
    }
}

/// A number with the interval that holds the true one with 95 %.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Interval {
    /// Best value.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl From<trend::Estimate> for Interval {
    fn from(e: trend::Estimate) -> Self {
        Interval { value: e.value, low: e.low, high: e.high }
    }
}

/// Where a series stands and where it goes.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Trend {
    /// What it is of.
    #[serde(flatten)]
    pub of: Of,
    /// Cycles since the last service entry.
    pub cycles: u64,
    /// The newest of them, RFC 3339, UTC.
    pub newest: String,
    /// Level at the newest cycle.
    pub level: f64,
    /// The limit that it is held against.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit: Option<f64>,
    /// Growth since the last change; left out with too few cycles.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub slope: Option<Slope>,
    /// Growth over all cycles that are looked at, whatever changed among them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub overall: Option<Slope>,
    /// Changes without a service entry, oldest first.
    pub changes: Vec<Change>,
    /// The standing watch.
    pub watch: Watch,
    /// When the limit is reached.
    pub forecast: Outlook,
    /// Probability that the limit is passed within 90 days.
    pub risk_90_days: f64,
    /// How much the car is used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cycles_per_day: Option<f64>,
}

/// How a series grows, and whether that is chance.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Slope {
    /// Theil-Sen slope, in units per 100 cycles.
    pub per_100_cycles: Interval,
    /// Theil-Sen slope, in units per month.
    pub per_month: Interval,
    /// Kendall's S.
    pub mann_kendall_s: i64,
    /// Kendall's tau.
    pub tau: f64,
    /// By how much likeness of neighbouring cycles inflates the variance of S; 1: none.
    pub inflation: f64,
    /// Two-sided p value of the Mann-Kendall test, corrected for ties and for that likeness.
    pub p: f64,
    /// The same, corrected for ties only.
    pub p_independent: f64,
}

/// A change within the series.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Change {
    /// First cycle after it, by the count of the series.
    pub cycle: u64,
    /// When that was, RFC 3339, UTC.
    pub at: String,
    /// `step`, or `bend`: from here on the slope is another.
    pub kind: &'static str,
    /// Level just before.
    pub before: f64,
    /// Level just after.
    pub after: f64,
    /// What to ask whoever knows the car.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub question: Option<String>,
}

/// The standing watch: distances in scales of the baseline.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Watch {
    /// The baseline is still being learned.
    pub learning: bool,
    /// Level when it was well.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub baseline: Option<f64>,
    /// One scale.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scale: Option<f64>,
    /// Upper CUSUM, and where it alarms.
    pub cusum: f64,
    /// See `cusum`.
    pub cusum_limit: f64,
    /// EWMA, and where it alarms.
    pub ewma: f64,
    /// See `ewma`.
    pub ewma_limit: f64,
    /// Cycles between false alarms of the CUSUM, on average, where the baseline is known and cycles are independent.
    pub cusum_run_length: f64,
    /// The same of the EWMA.
    pub ewma_run_length: f64,
    /// When the alarm that stands was raised, RFC 3339, UTC.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub alarm: Option<String>,
    /// About the cycle at which the excess began.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub alarm_began_cycle: Option<u64>,
}

/// When a limit is reached.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Outlook {
    /// `no-limit`, `past`, `likely`, `not-before` or `too-early`.
    pub says: &'static str,
    /// In words.
    pub words: String,
    /// Not before this, with 95 %; RFC 3339, UTC.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_before: Option<String>,
    /// As likely before as after this.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub likely: Option<String>,
    /// Not after this, with 95 %.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_after: Option<String>,
    /// The cycle at which it is as likely before as after.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub likely_cycle: Option<u64>,
    /// About so many more cycles are needed before anything can be said.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub more_cycles: Option<u64>,
}

impl Trend {
    /// What an assessment says, seen from `now`.
    pub fn of(of: Of, found: &Assessment, limit: Option<f64>, now: Micros) -> Self {
        Trend {
            of,
            cycles: found.cycles,
            newest: rfc3339(found.newest_at),
            level: found.level,
            limit,
            slope: found.slope.as_ref().map(slope),
            overall: found.overall.as_ref().map(slope),
            changes: found.changes.iter().map(change).collect(),
            watch: Watch {
                learning: found.watch.still_learning,
                baseline: found.watch.baseline.map(|b| b.level),
                scale: found.watch.baseline.map(|b| b.scale),
                cusum: found.watch.sum,
                cusum_limit: found.watch.sum_limit,
                ewma: found.watch.average,
                ewma_limit: found.watch.average_limit,
                cusum_run_length: trend::watch::run_lengths().0.round(),
                ewma_run_length: trend::watch::run_lengths().1.round(),
                alarm: found.watch.alarm.map(|a| rfc3339(a.at)),
                alarm_began_cycle: found.watch.alarm.map(|a| a.began),
            },
            forecast: outlook(&found.forecast, now),
            risk_90_days: found.risk,
            cycles_per_day: found.cycles_per_day,
        }
    }
}

fn slope(s: &trend::Slope) -> Slope {
    Slope {
        per_100_cycles: s.per_100_cycles.into(),
        per_month: s.per_month.into(),
        mann_kendall_s: s.s,
        tau: s.tau,
        inflation: s.inflation,
        p: s.p,
        p_independent: s.p_independent,
    }
}

fn change(change: &trend::Change) -> Change {
    Change {
        cycle: change.cycle,
        at: rfc3339(change.at),
        kind: match change.kind {
            trend::Kind::Step => "step",
            trend::Kind::Bend => "bend",
        },
        before: change.before,
        after: change.after,
        question: change.question().map(str::to_owned),
    }
}

fn outlook(forecast: &Forecast, now: Micros) -> Outlook {
    let mut out = Outlook {
        says: "no-limit",
        words: words::forecast(forecast, now),
        not_before: None,
        likely: None,
        not_after: None,
        likely_cycle: None,
        more_cycles: None,
    };
    match forecast {
        Forecast::NoLimit => {}
        Forecast::Past { .. } => out.says = "past",
        Forecast::Likely { earliest, middle, latest } => {
            out.says = "likely";
            out.not_before = Some(rfc3339(earliest.at));
            out.likely = Some(rfc3339(middle.at));
            out.not_after = Some(rfc3339(latest.at));
            out.likely_cycle = Some(middle.cycle);
        }
        Forecast::NotBefore { earliest } => {
            out.says = "not-before";
            out.not_before = Some(rfc3339(earliest.at));
        }
        Forecast::TooEarly { more_cycles } => {
            out.says = "too-early";
            out.more_cycles = Some(*more_cycles);
        }
    }
    out
}

/// Before against after.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Compared {
    /// What it is of.
    #[serde(flatten)]
    pub of: Of,
    /// The moment between before and after, RFC 3339, UTC.
    pub at: String,
    /// `better`, `worse`, `no-change-shown` or `cannot-tell`.
    pub verdict: &'static str,
    /// In words.
    pub words: String,
    /// Cycles before.
    pub count_before: usize,
    /// Cycles after.
    pub count_after: usize,
    /// Median before.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub median_before: Option<f64>,
    /// Median after.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub median_after: Option<f64>,
    /// Hodges-Lehmann shift, after less before.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shift: Option<Interval>,
    /// Probability with which the interval holds the shift.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub confidence: Option<f64>,
    /// Two-sided p value of the rank test.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p: Option<f64>,
    /// `exact`, or `normal`: by its normal approximation, corrected for ties.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p_from: Option<&'static str>,
    /// By how much likeness of neighbouring cycles inflates the variance; 1: none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inflation: Option<f64>,
    /// About so many more cycles after are needed until it can be told.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub more_cycles: Option<u64>,
}

impl Compared {
    /// What a comparison says; `None`: one side has no cycles, and these are the counts.
    pub fn of(of: Of, at: Micros, found: Option<&Comparison>, counts: (usize, usize)) -> Self {
        let words = match found {
            Some(found) => words::comparison(found, &of.unit),
            None => format!("nothing to compare: {} cycles before, {} after", counts.0, counts.1),
        };
        let (verdict, more_cycles) = match found.map(|f| f.verdict) {
            Some(Verdict::Better) => ("better", None),
            Some(Verdict::Worse) => ("worse", None),
            Some(Verdict::NoChangeShown) => ("no-change-shown", None),
            Some(Verdict::CannotTell { more_cycles }) => ("cannot-tell", more_cycles),
            None => ("cannot-tell", None),
        };
        Compared {
            of,
            at: rfc3339(at),
            verdict,
            words,
            count_before: found.map_or(counts.0, |f| f.count_before),
            count_after: found.map_or(counts.1, |f| f.count_after),
            median_before: found.map(|f| f.median_before),
            median_after: found.map(|f| f.median_after),
            shift: found.map(|f| f.shift.into()),
            confidence: found.map(|f| f.confidence),
            p: found.map(|f| f.p),
            p_from: found.map(|f| match f.from {
                Distribution::Exact => "exact",
                Distribution::Normal => "normal",
            }),
            inflation: found.map(|f| f.inflation),
            more_cycles,
        }
    }
}
