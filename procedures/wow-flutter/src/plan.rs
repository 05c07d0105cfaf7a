//! At what rates a tone is sampled for its wavering: well above it, or below it on purpose.

use tapewright_sdk::measure::demodulate::alias_of;
use tapewright_sdk::measure::flutter::band_at;

/// Samples a cycle of the tone where the memory is large enough.
const FAST: f64 = 4.5;

/// Mains frequencies and their doubles, which hum on the output has.
const HUM_HZ: [f64; 4] = [50.0, 60.0, 100.0, 120.0];

/// Hum must lie so far from the tone's alias to be told from slow wavering.
const CLEAR_OF_HUM_HZ: f64 = 4.0;

/// Narrowest band that is worth trying: the drum's turns must show, 30 Hz and clear of the band's end, where a line reads wrong.
const LEAST_BAND_HZ: f64 = 35.0;

/// Ends of the record beyond the time that is judged, and the filter's length.
pub(crate) const BESIDE_S: f64 = 2.0;

/// Short records that are looked through for fast flutter: what goes round is in each, what comes and goes in one of them.
pub(crate) const FAST_RECORDS: u32 = 3;

/// Seconds and rates of short records to try, the best first, with at most so many points: long ones tell slow flutter from fast,
/// fast ones hold less noise; at some rates harmonics of the tone fall beside it, and some scopes take more time than asked.
pub(crate) fn fast(tone_hz: f64, points: f64) -> Vec<(f64, f64)> {
    let mut asked = Vec::new();
    for span_s in [0.5, 0.25, 0.15] {
        let most = (points / span_s).min(FAST * tone_hz);
        asked.extend([1.0, 0.8, 0.7, 0.57, 0.45].map(|share| (span_s, share * most)));
    }
    asked
}

/// Rates to try, the best first, for a record of `span_s` with at most so many points.
pub(crate) fn rates(tone_hz: f64, span_s: f64, points: f64) -> Vec<f64> {
    let most = points / span_s;
    let mut rates = Vec::new();
    if most >= FAST * tone_hz {
        rates.push(FAST * tone_hz);
    }
    // Scopes that step 1, 2, 5 take a longer record than asked, with fewer points in each second: 10 s or 12 s for 7 s.
    for share in [1.0, 0.7, 0.58, 0.5, 0.4] {
        if let Some(rate) = below(tone_hz, share * most)
            && !rates.iter().any(|other: &f64| (other / rate - 1.0).abs() < 1e-6)
        {
            rates.push(rate);
        }
    }
    rates
}

/// The best rate from three quarters of a greatest one up to it at which the alias lies midway between 0 and half the
/// rate: clear of hum before the widest band.
fn below(tone_hz: f64, most_hz: f64) -> Option<f64> {
    let mut best: Option<(bool, f64, f64)> = None;
    // The alias lies midway where the tone is a whole number of rates, more or less a quarter.
    let mut quarters = (tone_hz / most_hz * 4.0).ceil() as u64;
    while (quarters as f64) < tone_hz / most_hz * 4.0 * 4.0 / 3.0 + 4.0 {
        if quarters % 2 == 1 {
            let rate = 4.0 * tone_hz / quarters as f64;
            let alias = alias_of(tone_hz, rate).0;
            let clear = HUM_HZ.iter().all(|hum| (alias_of(*hum, rate).0 - alias).abs() >= CLEAR_OF_HUM_HZ);
            let band = band_at(tone_hz, rate).map_or(0.0, |band| band.pass_hz);
            if band >= LEAST_BAND_HZ && best.is_none_or(|(c, b, _)| (clear, band) > (c, b)) {
                best = Some((clear, band, rate));
            }
        }
        quarters += 1;
    }
    best.map(|(_, _, rate)| rate)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_alias_lies_clear_whatever_the_scope() {
        for (points, span_s) in [(2_500.0, 7.0), (2_500.0, 11.0), (10_000.0, 7.0), (125_000.0, 7.0), (2e6, 7.0)] {
            for tone_hz in [3000.0, 3150.0, 3140.3, 1000.0] {
                let rates = rates(tone_hz, span_s, points);
                assert!(!rates.is_empty(), "{points} points, {tone_hz} Hz");
                for rate in rates {
                    assert!(rate <= points / span_s * (1.0 + 1e-9), "{rate}");
                    let band = band_at(tone_hz, rate).expect("a band");
                    assert!(band.pass_hz >= 35.0, "{rate}: {band:?}");
                }
            }
        }
        // A tone far above what the points can follow with any band is given up, and so is one whose band would not hold
        // the drum's turns: 2,500 points over 15 s.
        assert!(rates(3150.0, 100.0, 1000.0).is_empty());
        assert!(rates(3150.0, 15.0, 2_500.0).is_empty());
    }

    /// The default on 2,500 points, with a record of 10 s or 12 s where the time base has no 7 s.
    /// The measurement takes one of the records, on scopes that take what is asked and on those that take more time.
    #[test]
    fn fast_flutter_is_seen_whatever_the_scope() {
        for tone_hz in [3000.0, 3150.0, 3140.3, 3200.0, 1000.0] {
            for points in [2_500.0, 10_000.0, 2e6] {
                for stretch in [1.0, 1.2, 1.4, 2.0] {
                    let seen = fast(tone_hz, points).into_iter().any(|(span_s, rate_hz)| {
                        let alias = |times: f64| alias_of(times * tone_hz, rate_hz).0;
                        let clear = |times: f64| (alias(times) - alias(1.0)).abs() >= 440.0;
                        rate_hz * span_s * stretch <= points
                            && band_at(tone_hz, rate_hz).is_some_and(|band| band.pass_hz >= 200.0)
                            && clear(2.0)
                            && clear(3.0)
                    });
                    assert!(seen, "{tone_hz} Hz, {points} points, {stretch}");
                }
            }
        }
    }

    #[test]
    fn the_default_can_be_taken_by_scopes_that_step_their_time_base() {
        let rates = rates(3150.0, 7.0, 2_500.0);
        for record_s in [7.0, 10.0, 12.0] {
            assert!(rates.iter().any(|rate| rate * record_s <= 2_500.0), "{record_s} s: {rates:?}");
        }
    }

    #[test]
    fn hum_is_kept_away_where_it_can_be() {
        let rate = rates(3150.0, 7.0, 2_500.0)[0];
        let alias = alias_of(3150.0, rate).0;
        assert!(HUM_HZ.iter().all(|hum| (alias_of(*hum, rate).0 - alias).abs() >= CLEAR_OF_HUM_HZ), "{rate}");
    }
}
