//! Which elements explain a finding.

use std::collections::BTreeSet;

use super::errors::Errors;
use super::losses::{self, Loss};
use super::table::Elements;
use crate::analysis::element::{Cleared, Element, Fit, Suspected, Taken, WhyNot};
use crate::analysis::finding::{Finding, Reading, Standing};
use crate::analysis::subject::Subject;
use crate::analysis::{Analysis, Cause};
use crate::capture::ChannelIndex;
use crate::wiring_file::ElementKind;

/// A loss in which a node that it alone feeds kept sending leaves an element so much of its weight.
/// One such is no proof: losses of two causes may begin together.
const ONCE: f64 = 0.2;
/// Where a node has two feeds of a kind, one of them weighs so much of a sole feed: the node stops
/// less often for want of one.
const ONE_OF_TWO: f64 = 0.4;
/// Two elements that fail at once weigh so much of one that fails.
const PAIR: f64 = 0.03;

/// What has to fail for a class of finding.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Part {
    /// Supply or ground: the modules start anew.
    Power,
    /// The bus pair: the modules run on unheard.
    Bus,
    /// The bus itself.
    Line,
    /// What passes frames on.
    Gateway,
}

/// The part that has to fail for a finding; `None` where no element of a harness is behind it.
fn part(finding: &Finding) -> Option<Part> {
    match finding.class.as_str() {
        "module_power" | "shared_supply" => Some(Part::Power),
        "module_connector" | "branch" => Some(Part::Bus),
        "line" => Some(Part::Line),
        "gateway" => Some(Part::Gateway),
        _ => None,
    }
}

/// A finding that an element may be behind.
pub(super) struct Need<'a> {
    pub part: Part,
    pub lost: BTreeSet<Subject>,
    pub losses: Vec<&'a Loss>,
    /// Nothing of it came back.
    pub lasting: bool,
    /// The bus that it is about, where its errors tell something of it.
    pub errors: Option<&'a Errors>,
}

impl Need<'_> {
    /// By how much the errors make likelier what the file leaves out.
    fn left_out(&self) -> f64 {
        match (self.errors, self.part) {
            (Some(errors), Part::Line) => errors.of_any_one(),
            (Some(errors), _) => {
                let lost: Vec<Subject> = self.lost.iter().cloned().collect();
                errors.ratio(&lost).0
            }
            (None, _) => 1.0,
        }
    }
}

/// What is known when elements are held against findings.
#[derive(Clone, Copy)]
pub struct Harness<'a> {
    /// The capture.
    pub analysis: &'a Analysis,
    /// What was lost together.
    pub losses: &'a [Loss],
    /// The elements of the wiring file.
    pub elements: &'a [Element],
    /// What was measured at them.
    pub taken: &'a [Taken],
    /// What was measured at the modules.
    pub read: &'a [Reading],
    /// Whose frames errors destroyed, by channel.
    pub errors: &'a [Errors],
}

/// How a finding stands to the wiring file.
pub struct Placed {
    /// What explains it.
    pub suspected: Option<Suspected>,
    /// By how much the file makes it likelier than its rivals.
    pub factor: f64,
}

impl Harness<'_> {
    /// Where in the harness a finding has its cause.
    pub fn place(&self, finding: &Finding) -> Placed {
        let nowhere = Placed { suspected: None, factor: 1.0 };
        let Some(need) = self.need(finding) else { return nowhere };
        let several = matches!(finding.subject, Subject::Nodes(_));
        let (mut weights, cleared) = self.judged(&need);
        let single = !weights.is_empty();
        if !single && several {
            weights = self.pairs(&need);
        }
        let described = self.elements.iter().any(|element| {
            carries(element, need.part) && element.feeds.iter().any(|fed| need.lost.contains(fed))
        });
        // Nodes that were lost together and hang on one element are hardly so by chance; where the
        // file knows what they hang on and none of it explains them, it is likely something else.
        let factor = match (several, single, described) {
            (false, ..) | (true, false, false) => 1.0,
            (true, true, _) => 3.0,
            (true, false, true) if weights.is_empty() => 0.15,
            (true, false, true) => 0.4,
        };
        let left_out = &Elements::built_in().left_out;
        let own = if several { left_out.of_several } else { left_out.of_one };
        let own = own * need.left_out();
        for ((element, with), weight) in &mut weights {
            let read = |at: usize| self.read_at_modules(&need, at);
            *weight *= read(*element) * with.map_or(1.0, read);
        }
        let before: f64 = weights.iter().map(|own| own.1).sum::<f64>() + own;
        for ((element, with), weight) in &mut weights {
            *weight *= self.read_there(*element) * with.map_or(1.0, |with| self.read_there(with));
        }
        let total: f64 = weights.iter().map(|own| own.1).sum::<f64>() + own;
        // A reading that speaks for an element speaks for what it explains.
        let factor = factor * total / before;
        weights.sort_by(|a, b| b.1.total_cmp(&a.1));
        let fit = |((element, with), weight): &((usize, Option<usize>), f64)| Fit {
            element: *element,
            with: *with,
            share: weight / total,
        };
        let fits: Vec<Fit> = weights.iter().map(fit).collect();
        let alike = fits.first().map_or(Vec::new(), |first| self.alike(&need, first));
        let strikes = fits.first().filter(|first| first.with.is_none());
        let strikes = strikes
            .zip(need.errors)
            .and_then(|(first, errors)| errors.strikes(&self.elements[first.element].feeds));
        let suspected = Suspected { fits, alike, cleared, tells: None, strikes };
        let nothing = suspected.fits.is_empty() && suspected.cleared.is_empty();
        Placed { suspected: (!nothing).then_some(suspected), factor }
    }

    /// By how much the readings at an element speak for a fault of it.
    fn read_there(&self, element: usize) -> f64 {
        self.taken.iter().filter(|own| own.element == element).map(|own| own.ratio).product()
    }

    /// By how much readings at the modules speak for an element beside others behind the same
    /// finding: who measures a supply does not measure through a ground, and the reverse.
    fn read_at_modules(&self, need: &Need<'_>, element: usize) -> f64 {
        if need.part != Part::Power {
            return 1.0;
        }
        let element = &self.elements[element];
        let Some(side) = element.side() else { return 1.0 };
        let about = self.read.iter().filter(|read| element.feeds.contains(&read.subject));
        let told = about.filter_map(|read| read.one_sided);
        told.map(|own| if own.side == side { own.own } else { own.other }).product()
    }

    pub(super) fn need(&self, finding: &Finding) -> Option<Need<'_>> {
        let part = part(finding).filter(|_| finding.standing != Standing::Benign)?;
        let mut lost: BTreeSet<Subject> = match &finding.subject {
            Subject::Node(_) | Subject::Sender(_) => [finding.subject.clone()].into(),
            Subject::Nodes(nodes) => nodes.iter().map(|node| Subject::Node(*node)).collect(),
            Subject::Channel(_) | Subject::Vehicle => BTreeSet::new(),
            Subject::Module(_) | Subject::Modules(_) | Subject::Unplaced(..) => return None,
        };
        let about = |loss: &&Loss| match &finding.subject {
            Subject::Nodes(_) => loss.own.len() > 1 && loss.own.is_subset(&lost),
            Subject::Channel(channel) => loss.own.iter().any(|own| match own {
                Subject::Node(node) => self.analysis.nodes[*node].channel == *channel,
                _ => false,
            }),
            Subject::Vehicle => true,
            own => loss.own.len() == 1 && loss.own.contains(own),
        };
        let sure = self.losses.iter().filter(|loss| !loss.doubtful);
        let losses = of_this_part(part, sure.filter(about).collect());
        if lost.is_empty() {
            lost = losses.iter().flat_map(|loss| loss.own.iter().cloned()).collect();
        }
        let lasting = losses.iter().all(|loss| loss.lasting);
        let errors = self.told_by_errors(part, finding);
        Some(Need { part, lost, losses, lasting, errors })
    }

    /// The errors of the bus that a finding is about, where they tell something of its place.
    fn told_by_errors(&self, part: Part, finding: &Finding) -> Option<&Errors> {
        let of_node = |at: crate::ids::NodeIndex| self.analysis.nodes[at].channel;
        let channel: ChannelIndex = match &finding.subject {
            Subject::Channel(channel) => *channel,
            Subject::Node(node) => of_node(*node),
            Subject::Nodes(nodes) => of_node(*nodes.first()?),
            Subject::Sender(id) => self.analysis.identifiers[*id].channel,
            _ => return None,
        };
        let errors = self.errors.get(usize::from(channel))?;
        (matches!(part, Part::Bus | Part::Line) && errors.tell()).then_some(errors)
    }

    /// Single elements that explain it, each with its weight, and those that feed what was lost and
    /// do not.
    pub(super) fn judged(&self, need: &Need<'_>) -> (Weights, Vec<Cleared>) {
        let (mut fits, mut cleared) = (Vec::new(), Vec::new());
        for (at, element) in self.elements.iter().enumerate() {
            let judged = self.judge(need, element);
            let struck = need
                .errors
                .filter(|_| judged.is_ok())
                .map_or(1.0, |errors| errors.ratio(&element.feeds).0);
            let elsewhere = || need.errors.and_then(|errors| errors.strikes(&element.feeds));
            match judged.map(|fit| fit * struck) {
                Ok(_) if struck < Elements::built_in().errors.cleared => cleared.extend(
                    elsewhere()
                        .map(|own| Cleared { element: at, why: WhyNot::StruckElsewhere(own) }),
                ),
                Ok(fit) => fits.push(((at, None), fit * self.fails(need, element))),
                Err(Some(why)) => cleared.push(Cleared { element: at, why }),
                Err(None) => {}
            }
        }
        (fits, cleared)
    }

    fn fails(&self, need: &Need<'_>, element: &Element) -> f64 {
        let fails = Elements::built_in().of(element.kind).fails;
        if need.lasting { fails.lasting } else { fails.passing }
    }

    /// How well an element explains it, 0 to 1, or why it does not; nothing of one that has nothing
    /// to do with it.
    fn judge(&self, need: &Need<'_>, element: &Element) -> Result<f64, Option<WhyNot>> {
        if need.part == Part::Line && element.kind == ElementKind::Terminator {
            return Ok(1.0);
        }
        // Where errors tell the place of what troubles the bus, nobody need have been lost.
        if need.part == Part::Line && need.errors.is_some() {
            let singled_out = |errors: &Errors| errors.stands_out(&element.feeds);
            let may = carries(element, Part::Bus) && need.errors.is_some_and(singled_out);
            return if may { Ok(1.0) } else { Err(None) };
        }
        if !element.feeds.iter().any(|fed| need.lost.contains(fed)) {
            return Err(None);
        }
        if !carries(element, need.part) {
            return Err(match need.part {
                Part::Power => Some(WhyNot::CarriesNoPower),
                Part::Bus | Part::Line => Some(WhyNot::CarriesNoBus),
                Part::Gateway => None,
            });
        }
        let fit = self.fit(need, element)?;
        let not_fed = need.lost.iter().filter(|own| !element.feeds.contains(own));
        let not_fed: Vec<Subject> = not_fed.cloned().collect();
        if not_fed.is_empty() { Ok(fit) } else { Err(Some(WhyNot::DoesNotFeed(not_fed))) }
    }

    /// How well an element explains what it feeds of what was lost, 0 to 1.
    fn fit(&self, need: &Need<'_>, element: &Element) -> Result<f64, Option<WhyNot>> {
        let (alone, second): (Vec<&Subject>, Vec<&Subject>) =
            element.feeds.iter().partition(|fed| !self.has_second(element, fed));
        // What kept sending in each loss.
        let kept: Vec<Vec<&Subject>> = need
            .losses
            .iter()
            .map(|loss| {
                let kept = |fed: &&Subject| losses::kept_sending(self.analysis, fed, loss);
                alone.iter().copied().filter(kept).collect()
            })
            .collect();
        // Under a poor feed now these modules stop and now those: one that was lost with the others
        // at another time does not clear what feeds it.
        let never_lost = |fed: &&Subject| !need.lost.contains(*fed);
        let clearing = kept.iter().filter(|kept| kept.iter().any(never_lost)).count();
        if 2 * clearing > need.losses.len() {
            let in_any = |fed: &&Subject| kept.iter().any(|kept| kept.contains(fed));
            let kept = alone.into_iter().filter(|fed| never_lost(fed) && in_any(fed));
            return Err(Some(WhyNot::KeptSending(kept.cloned().collect())));
        }
        let against = kept.iter().filter(|kept| !kept.is_empty()).count();
        let starved = second.iter().filter(|fed| need.lost.contains(fed)).count();
        Ok(ONCE.powi(against as i32) * ONE_OF_TWO.powi(starved as i32))
    }

    /// Whether a node has another feed of the same kind. Plugs, splices and trunks lie one behind
    /// the other; two fuses, grounds or supplies beside each other.
    fn has_second(&self, element: &Element, fed: &Subject) -> bool {
        let beside =
            matches!(element.kind, ElementKind::Supply | ElementKind::Fuse | ElementKind::Ground);
        let other = |other: &&Element| {
            other.kind == element.kind
                && !std::ptr::eq(*other, element)
                && other.feeds.contains(fed)
        };
        beside && self.elements.iter().find(other).is_some()
    }

    /// Two elements that explain together what no single one does.
    fn pairs(&self, need: &Need<'_>) -> Weights {
        let may: Vec<(usize, &Element, f64)> = self
            .elements
            .iter()
            .enumerate()
            .filter(|(_, element)| {
                carries(element, need.part)
                    && element.feeds.iter().any(|fed| need.lost.contains(fed))
            })
            .filter_map(|(at, element)| {
                let fit = self.fit(need, element).ok()?;
                Some((at, element, fit * self.fails(need, element)))
            })
            .collect();
        let mut out = Vec::new();
        for (place, (one, first, weight)) in may.iter().enumerate() {
            for (other, second, beside) in &may[place + 1..] {
                let fed = |own: &Subject| first.feeds.contains(own) || second.feeds.contains(own);
                if need.lost.iter().all(fed) {
                    out.push(((*one, Some(*other)), weight * beside * PAIR));
                }
            }
        }
        out
    }

    /// Elements that no capture can tell from one: what hangs on them is the same, and so is what
    /// it does without them.
    fn alike(&self, need: &Need<'_>, first: &Fit) -> Vec<usize> {
        let own = &self.elements[first.element];
        let same = |other: &Element| {
            let second = |element: &Element| -> Vec<bool> {
                element.feeds.iter().map(|fed| self.has_second(element, fed)).collect()
            };
            carries(other, need.part) && other.feeds == own.feeds && second(other) == second(own)
        };
        let others = (0..self.elements.len()).filter(|at| *at != first.element);
        others.filter(|at| first.with.is_none() && same(&self.elements[*at])).collect()
    }
}

/// The losses that ended as a fault of this part does: what ran on did not lose its supply. Where
/// none did, all of them: the manner of a return is not always told.
fn of_this_part(part: Part, losses: Vec<&Loss>) -> Vec<&Loss> {
    let (own, other) = match part {
        Part::Power => (Cause::LostPower, Cause::OpenCircuit),
        Part::Bus => (Cause::OpenCircuit, Cause::LostPower),
        Part::Line | Part::Gateway => return losses,
    };
    if losses.iter().any(|loss| loss.cause == own) {
        losses.into_iter().filter(|loss| loss.cause != other).collect()
    } else {
        losses
    }
}

/// Places of one element, or of two, and their weight.
pub(super) type Weights = Vec<((usize, Option<usize>), f64)>;

/// Whether an element carries what has to fail.
fn carries(element: &Element, part: Part) -> bool {
    match part {
        Part::Power => element.carries.power(),
        Part::Bus => element.carries.bus && element.kind != ElementKind::Terminator,
        Part::Line => element.carries.bus,
        Part::Gateway => element.kind == ElementKind::Gateway,
    }
}
