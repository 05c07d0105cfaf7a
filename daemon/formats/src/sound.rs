//! Sound tracks of the formats: where the linear ones lie, which FM carriers lie under the picture.

use crate::format::{Format, LineStandard, Sourced, Surety};

/// Two linear tracks side by side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StereoTracks {
    /// Between the tracks' centres.
    pub distance_mm: Sourced,
    /// Width of one.
    pub width_mm: Sourced,
}

/// Linear sound of a format.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LinearSound {
    /// One track, or two in its place.
    Edge {
        /// Width of the single track.
        mono_width_mm: Sourced,
        /// Where there are two; none: not known.
        stereo: Option<StereoTracks>,
    },
    /// There is none, or only an optional cue track. What takes its place.
    None(&'static str),
}

/// FM sound of a format.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FmSound {
    /// Two carriers recorded below the picture by heads of their own.
    Depth {
        /// Carrier of the left channel.
        left_hz: Sourced,
        /// Carrier of the right channel.
        right_hz: Sourced,
    },
    /// The video heads record it with the picture. Where to look instead.
    WithPicture(&'static str),
    /// There is none.
    None(&'static str),
}

const fn of(value: f64, surety: Surety) -> Sourced {
    Sourced { value, surety }
}

impl Format {
    fn is(&self, family: &str) -> bool {
        self.name.starts_with(family)
    }

    /// The four-tone pilots of 8 mm take the place of a control track (see [`crate::pilots`]).
    #[must_use]
    pub fn has_pilots(&self) -> bool {
        self.is("8mm")
    }

    /// Its linear sound.
    #[must_use]
    pub fn linear_sound(&self) -> LinearSound {
        let memory = |value| of(value, Surety::Memory);
        if self.is("vhs") || self.is("s-vhs") {
            // Pages disagree about the split: 0.35 + 0.3 + 0.35 and 0.3 + 0.4 + 0.3 both add up to the mono track (relation R8).
            let stereo = StereoTracks { distance_mm: of(0.65, Surety::Computed), width_mm: of(0.35, Surety::Read) };
            LinearSound::Edge { mono_width_mm: of(1.0, Surety::Read), stereo: Some(stereo) }
        } else if self.is("beta") {
            let stereo = StereoTracks { distance_mm: memory(0.70), width_mm: of(0.35, Surety::Read) };
            LinearSound::Edge { mono_width_mm: memory(1.05), stereo: Some(stereo) }
        } else if self.is("8mm") {
            LinearSound::None(
                "its sound is FM under the picture, written by the video heads: no stationary audio head has an azimuth to set",
            )
        } else {
            LinearSound::Edge { mono_width_mm: memory(0.8), stereo: None }
        }
    }

    /// Width of its tape.
    #[must_use]
    pub fn tape_width_mm(&self) -> Sourced {
        let mm = if self.has_pilots() {
            8.0
        } else if self.is("u-") {
            19.0
        } else {
            12.65
        };
        of(mm, Surety::Read)
    }

    /// Width of its control track, at the tape's lower edge; none: it has none, or it is not known.
    #[must_use]
    pub fn control_track_width_mm(&self) -> Option<Sourced> {
        if self.is("vhs") || self.is("s-vhs") {
            Some(of(0.75, Surety::Computed))
        } else if self.is("beta") {
            Some(of(0.6, Surety::Memory))
        } else {
            None
        }
    }

    /// Its FM sound.
    #[must_use]
    pub fn fm_sound(&self) -> FmSound {
        let memory = |value| of(value, Surety::Memory);
        if self.is("vhs") || self.is("s-vhs") {
            // To be checked in IEC 60774-2, Table 3.
            let left = if self.lines == LineStandard::L525 { 1.3e6 } else { 1.4e6 };
            FmSound::Depth { left_hz: memory(left), right_hz: memory(left + 0.4e6) }
        } else if self.is("beta-625") {
            FmSound::Depth { left_hz: memory(1.44e6), right_hz: memory(2.10e6) }
        } else if self.is("beta") {
            FmSound::WithPicture(
                "the video heads write four sound carriers between colour and picture (1.38, 1.53, 1.68 and 1.83 MHz, from memory): look at the RF envelope of the video heads",
            )
        } else if self.is("8mm") {
            FmSound::WithPicture(
                "the video heads write the sound carriers (1.5 and 1.7 MHz) with the picture: the RF envelope of the video heads stands for them",
            )
        } else {
            FmSound::None("it has linear sound only")
        }
    }
}
