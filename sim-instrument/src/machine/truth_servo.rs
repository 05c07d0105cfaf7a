//! The exact truth about the servos: courses of phase without jitter, and where tracking has its centre.

use super::Machine;

impl Machine {
    /// How late the drum is against the reference at an instant, in seconds, without jitter and modulo nothing.
    #[must_use]
    pub fn drum_course_s(&self, t_s: f64) -> f64 {
        let field_hz = self.format.lines.field_rate_hz();
        t_s - self.timeline.at(t_s).drum.at(t_s) / field_hz
    }

    /// Place of the tape against the heads at an instant, in track pitches, without jitter and modulo nothing.
    #[must_use]
    pub fn tape_course_pitch(&self, t_s: f64) -> f64 {
        let epoch = self.timeline.at(t_s);
        epoch.tape.at(t_s) - epoch.drum.at(t_s)
    }

    /// Place of the tracking control, in pitches, at which heads and tracks of the tape that is in lie over each other at an instant.
    /// Where guides and heads stand right that is where the level is greatest.
    #[must_use]
    pub fn tracking_centre_pitch(&self, t_s: f64) -> f64 {
        let conditions = &self.timeline.at(t_s).conditions;
        -conditions.tape.as_ref().map_or(0.0, |tape| tape.tracking_pitch) - conditions.x_pitch()
    }

    /// How far the heads stand beside their tracks at an instant, in track pitches within one either way, positive towards the
    /// track recorded next; their own heights and the guides apart.
    #[must_use]
    pub fn beside_tracks_pitch(&self, t_s: f64) -> f64 {
        let beside = self.tape_course_pitch(t_s) - self.timeline.at(t_s).conditions.switch_shift();
        beside - 2.0 * (beside / 2.0).round()
    }

    /// Height of head B over that of head A at an instant, in track pitches, positive towards the track recorded next.
    #[must_use]
    pub fn heads_apart_pitch(&self, t_s: f64) -> f64 {
        let conditions = &self.timeline.at(t_s).conditions;
        (conditions.heads[1].height_um - conditions.heads[0].height_um) / conditions.machine_pitch_um
    }

    /// Speed of the tape at an instant over that at which it was recorded; negative backwards.
    #[must_use]
    pub fn tape_speed_ratio(&self, t_s: f64) -> f64 {
        self.timeline.at(t_s).tape.speed(t_s) / self.format.lines.field_rate_hz()
    }
}
