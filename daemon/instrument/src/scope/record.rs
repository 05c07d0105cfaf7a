//! Reading a record: its scaling, its blocks, and whether both fit what was set.

use super::plan::{ChannelPlan, TimePlan};
use super::setup::Standing;
use super::{Scope, ScopeError};
use crate::capture::Trace;
use crate::dialect::{CodeScale, Op, Preamble, PreambleForm, RawPreamble, TimebaseIs, Values, decode};
use crate::request::{CaptureRequest, Detection};
use crate::scpi::Message;

/// Tries of one block: what the scope holds is still there.
const BLOCK_TRIES: u32 = 3;
/// Most readings of one part, for each one that must agree.
pub(super) const READINGS: u32 = 3;
/// How long one part of a record may take on a slow link.
const PART_S: f64 = 4.0;
/// Fewest codes of a part.
const LEAST_PART: u32 = 1000;
/// Share of a record that must be superfluous before only a part is read.
const SUPERFLUOUS: f64 = 0.05;

/// How a record is told to be scaled, before it is looked at whether that fits.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scaling {
    points: u32,
    interval_s: f64,
    first_s: f64,
    scale: CodeScale,
}

impl Scope {
    /// Reads one channel of the record that the scope holds.
    pub(super) async fn read_trace(
        &mut self,
        plan: &ChannelPlan,
        standing: &Standing,
        time: &TimePlan,
        request: &CaptureRequest,
    ) -> Result<Trace, ScopeError> {
        let label = plan.input.label.clone();
        let name = Self::channel_values(plan);
        let preamble = self.preamble(plan, standing, time, request).await?;
        let (first, count) = Self::part_asked_for(&preamble, request);
        let bits = self.data_bits();
        let part = self.part(bits);
        self.wanted.insert(label.clone(), (first, count));
        // What comes in one part is proven with the whole capture; more parts are proven one by one, so that
        // only a spoilt one is read again.
        let proven = self.careful || count > part;
        if proven {
            self.confirm(&format!("check the scaling of {label}")).await?;
        }
        let bytes = self.read_codes(&label, &name, (first, count, part), bits, proven).await?;
        self.trace(plan, standing, request, &preamble, first, &bytes)
    }

    /// A trace of what was read: codes from `first` on, with the scaling told.
    pub(super) fn trace(
        &self,
        plan: &ChannelPlan,
        standing: &Standing,
        request: &CaptureRequest,
        preamble: &Preamble,
        first: u32,
        bytes: &[u8],
    ) -> Result<Trace, ScopeError> {
        let label = plan.input.label.clone();
        let (bits, pairs) = (self.data_bits(), request.detection == Detection::Peak);
        let decoded = decode(&self.dialect, bytes, bits, preamble.scale)
            .map_err(|trouble| ScopeError::misfit(&label, trouble.to_string()))?;
        self.check_scaling(&label, plan, standing, decoded.scale, (decoded.code_low, decoded.code_high), bits)?;
        let back = if self.dialect.volts_at_tip { 1.0 } else { plan.point.probe_factor };
        let limits = &self.dialect.limits;
        let each = if pairs { 2.0 } else { 1.0 };
        let first_s = preamble.first_s + f64::from(first) * preamble.code_interval_s;
        let root = 3_f64.sqrt();
        Ok(Trace {
            signal: plan.signal(),
            channel: label,
            // The middle of the first pair's bin lies one code's time after the bin's start.
            t0_s: if pairs { first_s + preamble.code_interval_s } else { first_s },
            dt_s: preamble.code_interval_s * each,
            pairs,
            gain_v: decoded.scale.gain_v * back,
            offset_v: decoded.scale.offset_v * back,
            code_low: decoded.code_low,
            code_high: decoded.code_high,
            gain_uncertainty: limits.gain_tolerance / root,
            offset_uncertainty_v: (limits.offset_tolerance_divisions * standing.volts_a_division
                + limits.offset_tolerance_v * plan.point.probe_factor)
                / root,
            bandwidth_hz: limits.bandwidth_hz,
            codes: decoded.codes,
        })
    }

    async fn preamble(
        &mut self,
        plan: &ChannelPlan,
        standing: &Standing,
        time: &TimePlan,
        request: &CaptureRequest,
    ) -> Result<Preamble, ScopeError> {
        let label = &plan.input.label;
        let name = Self::channel_values(plan);
        let doing = format!("ask the scaling of {label}");
        let select = [(Op::Select, name.clone())];
        let scaling = match &self.dialect.preamble {
            PreambleForm::Descriptor => {
                let raw = self.descriptor(label, &name, &doing).await?;
                self.scaling(label, &raw, raw.points, request)?
            }
            PreambleForm::TenFields | PreambleForm::NamedFields(_) | PreambleForm::Header => {
                let message = self.asking(&select, Op::AskPreamble, &name, &doing).await?;
                let told = self.agreed(&[message], &doing).await?;
                let raw = self.raw_preamble(label, told.first().map_or("", String::as_str))?;
                let points = self.points_of(&raw).await?;
                self.scaling(label, &raw, points, request)?
            }
            PreambleForm::Queries => {
                self.tell(&select, &doing).await?;
                let asked = [Op::AskTimebase, Op::AskPoints].map(|op| (op, Values::new(), doing.clone()));
                let told = self.ask_numbers(&asked).await?;
                let &[told, points] = told.as_slice() else { return Err(self.strange_state("too few answers")) };
                self.scaling_by_settings(plan, standing, time, told, points)
            }
        };
        self.fitting(label, scaling, time, request)
    }

    /// Reads the text of a preamble.
    pub(super) fn raw_preamble(&self, label: &str, text: &str) -> Result<RawPreamble, ScopeError> {
        let raw = self.dialect.read_preamble(text);
        raw.map_err(|trouble| ScopeError::misfit(label, trouble.to_string()))
    }

    /// The scaling that a preamble tells, of a record of so many points.
    pub(super) fn scaling(
        &self,
        label: &str,
        raw: &RawPreamble,
        points: u32,
        request: &CaptureRequest,
    ) -> Result<Scaling, ScopeError> {
        self.check_codes_of(label, raw, request.detection == Detection::Peak)?;
        // A descriptor's origin is the first point's time already; its reference is 0.
        let first_s = raw.x_origin_s - raw.x_reference * raw.x_increment_s;
        Ok(Scaling { points, interval_s: raw.x_increment_s, first_s, scale: self.dialect.formula.scale(raw) })
    }

    /// The scaling that follows from settings read back: time base and points.
    pub(super) fn scaling_by_settings(
        &self,
        plan: &ChannelPlan,
        standing: &Standing,
        time: &TimePlan,
        told: f64,
        points: f64,
    ) -> Scaling {
        let points = if points.fract() == 0.0 { points.clamp(1.0, f64::from(u32::MAX)) as u32 } else { 1 };
        let between = f64::from(points.max(2) - 1);
        let interval_s = match self.dialect.timebase_is {
            TimebaseIs::Interval => told,
            TimebaseIs::Span => told / between,
            TimebaseIs::SecondsADivision => told * self.dialect.limits.time_divisions / f64::from(points),
        };
        // The trigger lies at a share of the record, as it was set.
        let set_between = time.span_s / f64::from(time.points) * f64::from(time.points.max(2) - 1);
        let share = (time.before_s / set_between).clamp(0.0, 1.0);
        let back = if self.dialect.volts_at_tip { 1.0 } else { plan.point.probe_factor };
        let full = self.dialect.limits.full_scale(standing.volts_a_division) / back;
        let codes = f64::from(1_u32 << self.data_bits());
        let scale = CodeScale { gain_v: full / codes, offset_v: standing.centre_v / back };
        Scaling { points, interval_s, first_s: -share * interval_s * between, scale }
    }

    /// Whether a record so scaled is the one that was asked for.
    pub(super) fn fitting(
        &self,
        label: &str,
        told: Scaling,
        time: &TimePlan,
        request: &CaptureRequest,
    ) -> Result<Preamble, ScopeError> {
        let (points, most) = (told.points, self.dialect.limits.greatest_points);
        if points < 2 || points > most {
            let why = format!("the record is told to hold {points} points, expected 2 to {most}");
            return Err(ScopeError::misfit(label, why));
        }
        let doubled = request.detection == Detection::Peak && !self.dialect.peak_counts_values;
        let codes = if doubled { points * 2 } else { points };
        let code_interval_s = if doubled { told.interval_s / 2.0 } else { told.interval_s };
        self.check_time(label, code_interval_s, codes, told.first_s, time, request)?;
        Ok(Preamble { codes, code_interval_s, first_s: told.first_s, scale: told.scale })
    }

    /// First code and number of codes that cover what was asked; a longer record is not read whole.
    pub(super) fn part_asked_for(preamble: &Preamble, request: &CaptureRequest) -> (u32, u32) {
        let (all, pairs) = (preamble.codes, request.detection == Detection::Peak);
        let place = |t_s: f64| ((t_s - preamble.first_s) / preamble.code_interval_s).clamp(0.0, f64::from(all));
        let even = |n: f64| if pairs { (n / 2.0).floor() * 2.0 } else { n };
        let first = even((place(-request.before_s) + 1e-6).floor());
        let last = even((place(request.span_s - request.before_s) - 1e-6).ceil() + if pairs { 1.0 } else { 0.0 });
        let count = (last - first).clamp(2.0, f64::from(all));
        if count > f64::from(all) * (1.0 - SUPERFLUOUS) {
            return (0, all);
        }
        (first as u32, (count as u32).min(all - first as u32))
    }

    /// Most codes of a part.
    pub(super) fn part(&self, bits: u32) -> u32 {
        self.part_in_time(bits).min(self.dialect.limits.points_a_read) & !1
    }

    /// Most codes that take a few seconds on the line, which is what a fault costs.
    pub(super) fn part_in_time(&self, bits: u32) -> u32 {
        let each = bits / 8;
        let by_time = if self.session.byte_s() > 0.0 {
            (PART_S / self.session.byte_s() / f64::from(each)) as u32
        } else {
            u32::MAX
        };
        by_time.max(LEAST_PART)
    }

    /// A question with the commands that must stand before it, in one message where the instrument takes
    /// that; otherwise they are sent here.
    async fn asking(
        &mut self,
        before: &[(Op, Values)],
        op: Op,
        values: &Values,
        doing: &str,
    ) -> Result<Message, ScopeError> {
        let asked = self.built(op, values, doing)?;
        if !self.dialect.profile.compound || self.careful && !self.read_twice {
            if self.read_twice {
                self.surely(before, doing).await?;
            } else {
                self.groups(before, doing).await?;
            }
            return Ok(asked);
        }
        let list = self.rendered(before, doing)?;
        Ok(list.iter().chain([&asked]).cloned().reduce(|all, next| all.and(&next)).unwrap_or(asked))
    }

    /// Codes `(first, count)`, at most `part` at a time.
    async fn read_codes(
        &mut self,
        label: &str,
        name: &Values,
        (first, count, part): (u32, u32, u32),
        bits: u32,
        proven: bool,
    ) -> Result<Vec<u8>, ScopeError> {
        let each = bits / 8;
        let mut bytes = Vec::with_capacity((count * each) as usize);
        let mut at = first;
        while at < first + count {
            let now = part.min(first + count - at);
            let block = self.agreed_part(label, name, (at, now, each), proven).await?;
            bytes.extend_from_slice(&block);
            // Points count, not readings: one may hold fewer than were asked for.
            at += block.len() as u32 / each;
        }
        Ok(bytes)
    }

    /// One part, read until enough readings agree: on a line without a checksum nothing else finds a wrong
    /// byte inside a block.
    async fn agreed_part(
        &mut self,
        label: &str,
        name: &Values,
        (at, count, each): (u32, u32, u32),
        proven: bool,
    ) -> Result<Vec<u8>, ScopeError> {
        let mut heard: Vec<(Vec<u8>, u32)> = Vec::new();
        let mut readings = 0;
        loop {
            let block = self.read_part(label, name, (at, count, each), proven).await?;
            readings += 1;
            let place = heard.iter().position(|(known, _)| *known == block);
            if place.is_none() && !heard.is_empty() {
                self.session.note_garbled();
            }
            let place = place.unwrap_or_else(|| {
                heard.push((block, 0));
                heard.len() - 1
            });
            heard[place].1 += 1;
            let needed = self.readings((count * each) as usize);
            if heard[place].1 >= needed {
                return Ok(heard.swap_remove(place).0);
            }
            if readings >= needed * READINGS {
                let told = format!("of {readings} readings of points {} to {}", at + 1, at + count);
                return Err(ScopeError::garbled(label, &told, needed));
            }
        }
    }

    /// One part, asked again when it came spoilt: the record is still in the scope.
    async fn read_part(
        &mut self,
        label: &str,
        name: &Values,
        (at, count, each): (u32, u32, u32),
        proven: bool,
    ) -> Result<Vec<u8>, ScopeError> {
        let doing = format!("read points {} to {} of {label}", at + 1, at + count);
        let values = Self::part_values(name, at, count);
        let mut tries = 0;
        loop {
            tries += 1;
            match self.read_part_once(label, &values, (count * each, each), &doing, proven).await {
                // Where the scaling is not proven yet, all is asked again.
                Err(error) if proven && error.is_fault() && tries < BLOCK_TRIES => {
                    tracing::warn!("{doing}: {error}; asking again");
                }
                done => return done,
            }
        }
    }

    async fn read_part_once(
        &mut self,
        label: &str,
        values: &Values,
        (wanted, each): (u32, u32),
        doing: &str,
        proven: bool,
    ) -> Result<Vec<u8>, ScopeError> {
        let opened = self.session.reopened();
        // The scaling was just asked of this channel. On a line that garbles, what was said once may have
        // been heard wrong, so there each reading says it anew.
        let mut before = vec![(Op::Select, values.clone()), (Op::Chunk, values.clone())];
        if !self.read_twice && !self.careful {
            before.remove(0);
            let words = self.rendered(&before, doing)?;
            if self.part_stands(label, &words) {
                before.clear();
            }
            self.note_part(label, words);
        }
        let message = self.asking(&before, Op::AskData, values, doing).await?;
        let (wanted, each) = (wanted as usize, each as usize);
        let block = self.session.query_block(&message, wanted.max(64) * 2).await;
        let block = block.map_err(|source| self.failed(doing, source))?;
        let short = self.dialect.profile.short_readings && !block.is_empty() && block.len().is_multiple_of(2 * each);
        if block.len() > wanted || (block.len() < wanted && !short) {
            let why = format!("{} bytes came where {wanted} were due", block.len());
            return Err(ScopeError::misfit(label, why));
        }
        if proven {
            self.confirm(doing).await?;
        }
        if self.session.reopened() != opened {
            let why = "the link was opened anew while it was read: the record may be another";
            return Err(ScopeError::gone(label, why));
        }
        Ok(block)
    }

    /// Whether the scope reads the part of this channel that these words choose already, since it was told so last.
    pub(super) fn part_stands(&self, label: &str, words: &[Message]) -> bool {
        self.parts.get(label).is_some_and(|(then, before)| *then == self.session.resyncs() && before == words)
    }

    /// Notes that it was told so.
    pub(super) fn note_part(&mut self, label: &str, words: Vec<Message>) {
        self.parts.insert(label.to_owned(), (self.session.resyncs(), words));
    }
}
