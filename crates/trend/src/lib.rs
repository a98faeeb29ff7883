//! Many cycles to drift, change and forecast.
