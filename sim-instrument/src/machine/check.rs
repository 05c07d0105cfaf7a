//! Checks the numbers of a configuration before a machine is made of it.

use super::MachineError;
use super::config::MachineConfig;

pub(crate) fn number(
    field: &'static str,
    value: f64,
    least: f64,
    greatest: f64,
    wanted: &'static str,
) -> Result<(), MachineError> {
    if value.is_finite() && value >= least && value <= greatest {
        return Ok(());
    }
    Err(MachineError::Number { field, value: value.to_string(), wanted })
}

/// Refuses what no machine can be, and what the arithmetic could not take.
pub(crate) fn numbers(config: &MachineConfig) -> Result<(), MachineError> {
    let positive = "give a number above 0";
    let not_negative = "give 0 or a positive number";
    let finite = "give a finite number of a size that a machine can have";
    for head in [&config.head_a, &config.head_b] {
        number("gain", head.gain, 0.0, 100.0, "give 0 (dead) to 100")?;
        number("width_um", head.width_um.unwrap_or(10.0), 0.1, 1000.0, positive)?;
        number("gap_um", head.gap_um.unwrap_or(0.3), 0.01, 1.0, "give 0.01 to 1 um")?;
        number("spacing_um", head.spacing_um, 0.0, 100.0, not_negative)?;
        number("dirt_um", head.dirt_um, 0.0, 100.0, not_negative)?;
        number("height_um", head.height_um, -1000.0, 1000.0, finite)?;
    }
    for guides in [Some(config.guides)].into_iter().chain(config.tapes.values().map(|tape| tape.recorded_on)).flatten()
    {
        number("entrance_um", guides.entrance_um, -1000.0, 1000.0, finite)?;
        number("exit_um", guides.exit_um, -1000.0, 1000.0, finite)?;
    }
    for tape in config.tapes.values() {
        number("level", tape.level, 0.0, 100.0, not_negative)?;
        number("control_level", tape.control_level, 0.0, 100.0, not_negative)?;
        number("track_width_um", tape.track_width_um.unwrap_or(10.0), 0.1, 1000.0, positive)?;
        number("tracking_pitch", tape.tracking_pitch, -10.0, 10.0, finite)?;
        number("switch_lines", tape.switch_lines, 0.0, 50.0, "give 0 to 50 lines")?;
        super::dropouts::check(&tape.dropouts)?;
    }
    number("offset_pitch", config.tracking.offset_pitch, -10.0, 10.0, finite)?;
    number("step_pitch", config.tracking.step_pitch, -1.0, 1.0, "give -1 to 1 pitches")?;
    number("range_pitch", config.tracking.range_pitch, 0.0, 2.0, "give 0 to 2 pitches")?;
    number("x_error_mm", config.tracking.x_error_mm, -10.0, 10.0, "give -10 to 10 mm")?;
    number("hunting_pitch", config.tracking.hunting_pitch, 0.0, 10.0, not_negative)?;
    number("hunting_period_s", config.tracking.hunting_period_s.unwrap_or(1.0), 0.5, 1e6, "give 0.5 s or more")?;
    let rf = &config.rf;
    number("level_v", rf.level_v, 1e-6, 100.0, positive)?;
    number("noise_v", rf.noise_v, 0.0, 100.0, not_negative)?;
    number("transient_v", rf.transient_v, 0.0, 100.0, not_negative)?;
    number("overlap_lines", rf.overlap_lines, 0.0, 50.0, "give 0 to 50 lines")?;
    number("colour_under_ratio", rf.colour_under_ratio, 0.0, 1.0, "give 0 to 1")?;
    number("pilot_ratio", rf.pilot_ratio, 0.0, 1.0, "give 0 to 1")?;
    number("lines_before_sync", config.head_switch.lines_before_sync, 0.0, 50.0, "give 0 to 50 lines")?;
    number("b_earlier_lines", config.head_switch.b_earlier_lines, -50.0, 50.0, "give -50 to 50 lines")?;
    number("head switch jitter_s", config.head_switch.jitter_s, 0.0, 1e-3, "give 0 to 0.001 s")?;
    number("low_v", config.head_switch.low_v, -100.0, 100.0, finite)?;
    number("high_v", config.head_switch.high_v, -100.0, 100.0, finite)?;
    let span_v = config.head_switch.high_v - config.head_switch.low_v;
    number("high_v", span_v, 1e-3, 200.0, "the high state must lie above the low one")?;
    let drum = &config.drum;
    number("drum jitter_s", drum.jitter_s, 0.0, 1e-3, "give 0 to 0.001 s")?;
    number("spin_up_s", drum.spin_up_s, 0.05, 60.0, "give 0.05 to 60 s")?;
    number("lock_tau_s", drum.lock_tau_s, 0.05, 60.0, "give 0.05 to 60 s")?;
    number("phase_s", drum.phase_s, -0.02, 0.02, "give -0.02 to 0.02 s")?;
    number("drum hunting_s", drum.hunting_s, 0.0, 0.01, "give 0 to 0.01 s")?;
    number("drum hunting_period_s", drum.hunting_period_s, 0.5, 1e6, "give 0.5 s or more")?;
    number("drum free_running_error", drum.free_running_error, -0.5, 0.5, "give -0.5 to 0.5")?;
    number("pulses_a_turn", drum.pulses_a_turn, 0.5, 10_000.0, positive)?;
    let capstan = &config.capstan;
    number("run_up_s", capstan.run_up_s, 0.05, 60.0, "give 0.05 to 60 s")?;
    number("lock_tau_s", capstan.lock_tau_s, 0.05, 60.0, "give 0.05 to 60 s")?;
    number("capstan free_running_error", capstan.free_running_error, -0.5, 0.5, "give -0.5 to 0.5")?;
    number("wander", capstan.wander, 0.0, 0.1, "give 0 to 0.1")?;
    number("pulse_hz", capstan.pulse_hz, 1.0, 1e5, "give 1 to 100000 Hz")?;
    let control = &config.control;
    for (field, value) in [("square_v", control.square_v), ("spike_v", control.spike_v)] {
        number(field, value, 0.0, 100.0, not_negative)?;
    }
    number("spike_noise_v", control.spike_noise_v, 0.0, 1.0, not_negative)?;
    number("square_noise_v", control.square_noise_v, 0.0, 10.0, not_negative)?;
    number("duty", control.duty, 0.02, 0.98, "give 0.02 to 0.98")?;
    number("missing_ratio", control.missing_ratio, 0.0, 1.0, "give 0 to 1")?;
    number("control jitter_s", control.jitter_s, 0.0, 1e-3, "give 0 to 0.001 s")?;
    number("delay_s", control.delay_s, -1.0, 1.0, finite)?;
    let video = &config.video;
    number("video noise_v", video.noise_v, 0.0, 1.0, "give 0 to 1 V")?;
    for (field, value) in [("gain", video.gain), ("sync_ratio", video.sync_ratio), ("burst_ratio", video.burst_ratio)] {
        number(field, value, 0.0, 10.0, "give 0 to 10")?;
    }
    number("set_up_v", video.set_up_v, -1.0, 1.0, "give -1 to 1 V")?;
    number("offset_v", video.offset_v, -100.0, 100.0, finite)?;
    number("hum_v", video.hum_v, 0.0, 10.0, "give 0 to 10 V")?;
    number("time_base_s", video.time_base_s, 0.0, 1e-4, "give 0 to 0.0001 s")?;
    number("time_base_period_s", video.time_base_period_s, 1e-3, 1e3, "give 0.001 s or more")?;
    number("line_jitter_s", video.line_jitter_s, 0.0, 2e-6, "give 0 to 2e-6 s")?;
    let transport = &config.transport;
    number("threading_s", transport.threading_s, 0.1, 60.0, "give 0.1 to 60 s")?;
    number("still_stop_s", transport.still_stop_s, 0.05, 10.0, "give 0.05 to 10 s")?;
    number("search_speed", transport.search_speed, 1.0, 50.0, "give 1 to 50")?;
    number("wind_speed", transport.wind_speed, 1.0, 500.0, "give 1 to 500")?;
    for stop in &transport.still_stops_pitch {
        number("still_stops_pitch", *stop, -100.0, 100.0, finite)?;
    }
    super::supply::check(&config.supply)?;
    super::hifi::check(&config.hifi_heads)?;
    super::audio::check(&config.audio)
}
