//! Command templates: words of one family, with places for values.

use crate::scpi::{BuildError, Message};
use core::fmt;

macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $text:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum $name {
            $($(#[$vdoc])* $variant),+
        }

        impl $name {
            /// Every one, in order.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// Its key in a file.
            #[must_use]
            pub const fn key(self) -> &'static str {
                match self { $(Self::$variant => $text),+ }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(self.key())
            }
        }
    };
}

words! {
    /// A place for a value in a template.
    Slot {
        /// Label of an input.
        Channel = "channel",
        /// Number of a channel.
        Number = "number",
        /// `AC` or `DC`.
        Coupling = "coupling",
        /// Factor of the probe.
        Probe = "probe",
        /// Volts a division.
        VoltsADivision = "volts-a-division",
        /// Volts over all steps of the converter.
        FullScale = "full-scale-v",
        /// Volts at the middle of the converter's range.
        Centre = "centre-v",
        /// The same with the other sign, for instruments that add their offset.
        MinusCentre = "minus-centre-v",
        /// Divisions by which zero stands above the middle.
        Position = "position-divisions",
        /// Points a trace.
        Points = "points",
        /// Seconds a division.
        SecondsADivision = "seconds-a-division",
        /// Seconds from first to last point.
        Span = "span-s",
        /// Seconds from point to point.
        Interval = "interval-s",
        /// Seconds from the trigger to the middle of the record.
        CentreTime = "centre-s",
        /// Where in the record the trigger lies, 0 to 1; at its ends if it lies outside.
        Reference = "reference",
        /// Seconds from the trigger to the reference point; 0 while the trigger lies in the record.
        ReferenceOffset = "reference-offset-s",
        /// Word of the trigger's source.
        Source = "source",
        /// `POSitive` or `NEGative`.
        Slope = "slope",
        /// Volts of the trigger.
        Level = "level-v",
        /// Field, 1 or 2.
        Field = "field",
        /// Line, from 1.
        Line = "line",
        /// Lines a frame, 525 or 625.
        Lines = "lines",
        /// First point of a reading, from 1.
        First = "first",
        /// First point of a reading, from 0.
        FirstFromZero = "first-from-0",
        /// Last point of a reading, from 1, included.
        Last = "last",
        /// Points of a reading.
        Count = "count",
    }
}

words! {
    /// An abstract operation.
    Op {
        /// Once after opening.
        Prepare = "prepare",
        /// Ends whatever acquisition runs.
        Stop = "stop",
        /// Switches a channel on.
        ChannelOn = "channel-on",
        /// Switches a channel off.
        ChannelOff = "channel-off",
        /// Sets the coupling.
        Coupling = "coupling",
        /// Tells the probe's factor.
        Probe = "probe",
        /// Sets the vertical range.
        Range = "range",
        /// Sets the offset.
        Offset = "offset",
        /// One sample a point.
        Sample = "detect-sample",
        /// Pairs of least and greatest.
        Peak = "detect-peak",
        /// Points a trace.
        Points = "points",
        /// Time base and place of the trigger.
        Timebase = "timebase",
        /// Trigger by itself.
        TriggerFree = "trigger-free",
        /// Trigger on an edge.
        TriggerEdge = "trigger-edge",
        /// Trigger on field 1 or 2.
        TriggerField = "trigger-field",
        /// Trigger on either field.
        TriggerAnyField = "trigger-any-field",
        /// Trigger on a line.
        TriggerLine = "trigger-line",
        /// Starts one acquisition.
        Arm = "arm",
        /// Triggers now, in free run.
        Force = "force-trigger",
        /// 8-bit data.
        Format8 = "format-8",
        /// 16-bit data.
        Format16 = "format-16",
        /// Chooses the channel that is read.
        Select = "select",
        /// Chooses the points that are read.
        Chunk = "chunk",
        /// Asks the state.
        AskState = "ask-state",
        /// Asks the vertical range.
        AskRange = "ask-range",
        /// Asks the offset.
        AskOffset = "ask-offset",
        /// Asks the time base.
        AskTimebase = "ask-timebase",
        /// Asks the number of points.
        AskPoints = "ask-points",
        /// Asks the scaling of a record.
        AskPreamble = "ask-preamble",
        /// Asks for data, all of what was chosen.
        AskData = "ask-data",
    }
}

impl Op {
    /// Whether every dialect must have it.
    #[must_use]
    pub const fn needed(self) -> bool {
        !matches!(
            self,
            Self::Prepare
                | Self::Probe
                | Self::Peak
                | Self::TriggerField
                | Self::TriggerAnyField
                | Self::TriggerLine
                | Self::Force
                | Self::Format16
                | Self::Select
                | Self::Chunk
                | Self::AskPreamble
        )
    }

    /// Whether it asks: then it is one message, and a query.
    #[must_use]
    pub const fn asks(self) -> bool {
        matches!(
            self,
            Self::AskState
                | Self::AskRange
                | Self::AskOffset
                | Self::AskTimebase
                | Self::AskPoints
                | Self::AskPreamble
                | Self::AskData
        )
    }

    /// Places that its templates may have.
    #[must_use]
    pub const fn slots(self) -> &'static [Slot] {
        use Slot as S;
        match self {
            Self::ChannelOn
            | Self::ChannelOff
            | Self::Select
            | Self::AskRange
            | Self::AskOffset
            | Self::AskPreamble => &[S::Channel, S::Number],
            Self::Coupling => &[S::Channel, S::Number, S::Coupling],
            Self::Probe => &[S::Channel, S::Number, S::Probe],
            Self::Range => &[S::Channel, S::Number, S::VoltsADivision, S::FullScale],
            Self::Offset => &[S::Channel, S::Number, S::Centre, S::MinusCentre, S::Position],
            Self::Points => &[S::Points],
            Self::Timebase => {
                &[S::Points, S::SecondsADivision, S::Span, S::Interval, S::CentreTime, S::Reference, S::ReferenceOffset]
            }
            Self::TriggerEdge => &[S::Source, S::Slope, S::Level],
            Self::TriggerField => &[S::Source, S::Field, S::Lines],
            Self::TriggerAnyField => &[S::Source, S::Lines],
            Self::TriggerLine => &[S::Source, S::Line, S::Lines],
            Self::Chunk | Self::AskData => &[S::Channel, S::Number, S::First, S::FirstFromZero, S::Last, S::Count],
            _ => &[],
        }
    }
}

/// Values for the places of a template.
#[derive(Debug, Clone, Default)]
pub struct Values(Vec<(Slot, String)>);

impl Values {
    /// None yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// With a number.
    #[must_use]
    pub fn number(mut self, slot: Slot, value: f64) -> Self {
        // Not finite: kept as it is, refused when rendered.
        let text = if value.is_finite() { crate::scpi::number_text(value) } else { value.to_string() };
        self.0.push((slot, text));
        self
    }

    /// With a word.
    #[must_use]
    pub fn word(mut self, slot: Slot, word: &str) -> Self {
        self.0.push((slot, word.to_owned()));
        self
    }

    pub(super) fn get(&self, slot: Slot) -> Option<&str> {
        self.0.iter().rev().find(|(have, _)| *have == slot).map(|(_, text)| text.as_str())
    }
}

#[derive(Debug, Clone, PartialEq)]
enum Piece {
    Text(String),
    Slot(Slot),
}

/// One message with places for values.
#[derive(Debug, Clone, PartialEq)]
pub struct Template(Vec<Piece>);

impl Template {
    /// Reads a template.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn parse(text: &str, op: Op) -> Result<Self, String> {
        if text.trim() != text || text.is_empty() {
            return Err("it is empty or has blanks at an end".into());
        }
        if let Some(bad) = text.chars().find(|c| c.is_control() || !c.is_ascii()) {
            return Err(format!("`{}` may not stand in a command", bad.escape_default()));
        }
        let (mut pieces, mut rest) = (Vec::new(), text);
        while let Some(open) = rest.find(['{', '}']) {
            let (before, after) = rest.split_at(open);
            let close =
                after.find('}').filter(|_| after.starts_with('{')).ok_or("a brace is not closed or not opened")?;
            let name = &after[1..close];
            if name.contains('{') {
                return Err("a brace is not closed".into());
            }
            let known = op.slots();
            let slot = known.iter().copied().find(|slot| slot.key() == name).ok_or_else(|| {
                let list: Vec<&str> = known.iter().map(|slot| slot.key()).collect();
                format!(
                    "`{{{name}}}` has no value here; known here are {}",
                    if list.is_empty() { "none".into() } else { list.join(", ") }
                )
            })?;
            if !before.is_empty() {
                pieces.push(Piece::Text(before.to_owned()));
            }
            pieces.push(Piece::Slot(slot));
            rest = &after[close + 1..];
        }
        if !rest.is_empty() {
            pieces.push(Piece::Text(rest.to_owned()));
        }
        if op.asks() != text.contains('?') {
            return Err(if op.asks() { "it must be a query, with `?`" } else { "it may not be a query" }.into());
        }
        Ok(Self(pieces))
    }

    /// Whether it has this place.
    #[must_use]
    pub fn has(&self, slot: Slot) -> bool {
        self.0.contains(&Piece::Slot(slot))
    }

    /// For each element of the data, the place that it is made of; none where it is a text or mixed.
    pub(super) fn places(&self) -> Vec<Option<Slot>> {
        let (mut in_data, mut places) = (false, Vec::new());
        // The element so far: nothing, one place alone, or something else.
        let mut element: Option<Option<Slot>> = None;
        for piece in &self.0 {
            match piece {
                Piece::Slot(slot) if in_data => {
                    element = Some(if element.is_none() { Some(*slot) } else { None });
                }
                Piece::Slot(_) => {}
                Piece::Text(text) => {
                    for c in text.chars() {
                        match c {
                            ' ' if !in_data => in_data = true,
                            ' ' => {}
                            ',' if in_data => places.push(element.take().flatten()),
                            _ if in_data => element = Some(None),
                            _ => {}
                        }
                    }
                }
            }
        }
        if in_data {
            places.push(element.flatten());
        }
        places
    }

    /// The message.
    ///
    /// # Errors
    /// [`BuildError`] when a value is missing or could end the message early.
    pub fn render(&self, values: &Values) -> Result<Message, BuildError> {
        let mut text = String::new();
        for piece in &self.0 {
            match piece {
                Piece::Text(part) => text.push_str(part),
                Piece::Slot(slot) => {
                    let value =
                        values.get(*slot).ok_or_else(|| BuildError::Word(format!("{{{slot}}}"), text.clone()))?;
                    let good =
                        !value.is_empty() && value.chars().all(|c| c.is_ascii_alphanumeric() || "+-._".contains(c));
                    if !good || value == "NaN" || value == "inf" || value == "-inf" {
                        return Err(BuildError::Word(value.escape_default().to_string(), text));
                    }
                    text.push_str(value);
                }
            }
        }
        Message::raw(text)
    }
}
