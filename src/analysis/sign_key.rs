//! Under which name and value `knowledge.toml` has the numbers of a sign.

use super::blame::Verdict;
use super::just_before::LeadKind;
use super::symptom::{ErrorKind, Now, Return, Rhythm, Sign, SignName, SignValue, Spread, Starter};

/// Modules at one instant, from which on a bus behind a gateway is the usual reason (common
/// practice, no source).
const MANY: usize = 7;

impl Sign {
    /// Its table, and its value there.
    pub fn key(&self) -> (SignName, SignValue) {
        let near = |count: usize| if count == 0 { SignValue::None } else { SignValue::Near };
        match *self {
            Sign::Return(back) => (SignName::Return, back.value()),
            Sign::ReturnAlone(back) => (SignName::ReturnAlone, back.side()),
            Sign::StoredByOne => (SignName::StoredByOne, SignValue::Single),
            Sign::LengthAlone(_) => (SignName::LengthAlone, SignValue::Long),
            Sign::ReturnTogether(back) => (SignName::ReturnTogether, back.value()),
            Sign::Rhythm(Rhythm::Single) => (SignName::Rhythm, SignValue::Single),
            Sign::Rhythm(Rhythm::Starts(_)) => (SignName::Rhythm, SignValue::Starts),
            Sign::Rhythm(Rhythm::Brief | Rhythm::BriefInDrives(_)) => {
                (SignName::Rhythm, SignValue::Brief)
            }
            Sign::RhythmTogether(Rhythm::Single) => (SignName::RhythmTogether, SignValue::Single),
            Sign::RhythmTogether(Rhythm::Starts(_)) => {
                (SignName::RhythmTogether, SignValue::Starts)
            }
            Sign::RhythmTogether(Rhythm::Brief | Rhythm::BriefInDrives(_)) => {
                (SignName::RhythmTogether, SignValue::Brief)
            }
            Sign::RhythmTogether(_) => (SignName::RhythmTogether, SignValue::Uneven),
            Sign::Rhythm(Rhythm::Even { .. }) => (SignName::Rhythm, SignValue::Even),
            Sign::Rhythm(Rhythm::Uneven(_)) => (SignName::Rhythm, SignValue::Uneven),
            Sign::Start(starter) => (SignName::Start, starter.value()),
            Sign::StartTogether(starter) => (SignName::StartTogether, starter.value()),
            Sign::SupplyDipped(_) => (SignName::Supply, SignValue::Dipped),
            Sign::SupplySteady(..) => (SignName::Supply, SignValue::Steady),
            Sign::Errors(count) => (SignName::Errors, near(count)),
            Sign::OwnErrors(_) => (SignName::Errors, SignValue::Own),
            Sign::ErrorSpread(Spread::Everyone { .. }) => {
                (SignName::ErrorSpread, SignValue::Everyone)
            }
            Sign::ErrorSpread(Spread::Untold) => (SignName::ErrorSpread, SignValue::Untold),
            Sign::ErrorsTogether(count) => (SignName::ErrorsTogether, near(count)),
            // Where few senders are known, what they send tells how much of the bus it is.
            Sign::Share { nodes, all, ids, all_ids } if nodes * 2 >= all && ids * 2 >= all_ids => {
                (SignName::Share, SignValue::HalfOrMore)
            }
            Sign::Share { .. } => (SignName::Share, SignValue::Few),
            Sign::HeardElsewhere(_) => (SignName::HeardElsewhere, SignValue::Several),
            Sign::HeardMeanwhile(..=1) => (SignName::HeardMeanwhile, SignValue::Single),
            Sign::HeardMeanwhile(_) => (SignName::HeardMeanwhile, SignValue::Several),
            Sign::Ends(_) => (SignName::Ends, SignValue::Apart),
            Sign::EndsTogether(_) => (SignName::EndsTogether, SignValue::Apart),
            Sign::Number(..MANY) => (SignName::Number, SignValue::Several),
            Sign::Number(_) => (SignName::Number, SignValue::Many),
            Sign::BusEnd { with_errors: 0, .. } => (SignName::BusEnd, SignValue::Abrupt),
            Sign::BusEnd { .. } => (SignName::BusEnd, SignValue::Errors),
            Sign::ErrorKind(ErrorKind::BusOff(_)) => (SignName::ErrorKind, SignValue::BusOff),
            Sign::ErrorKind(ErrorKind::Frequent(_) | ErrorKind::Burst(_)) => {
                (SignName::ErrorKind, SignValue::Frequent)
            }
            Sign::ErrorKind(ErrorKind::Few(_)) => (SignName::ErrorKind, SignValue::Few),
            Sign::FramesSay(Verdict::Confirmed) => (SignName::FramesSay, SignValue::Confirmed),
            Sign::FramesSay(Verdict::Likely) => (SignName::FramesSay, SignValue::Likely),
            Sign::FramesSay(Verdict::Contradicted) => {
                (SignName::FramesSay, SignValue::Contradicted)
            }
            Sign::FramesSay(Verdict::Open) => (SignName::FramesSay, SignValue::Open),
            Sign::Lead(led) => (SignName::Lead, led.kind.value()),
            Sign::LeadTogether(led) => (SignName::LeadTogether, led.kind.value()),
            // Where nobody else was asked, that one alone says so tells nothing.
            Sign::BusOffs { modules: 1, asked: 2.., .. } => (SignName::BusOffs, SignValue::Single),
            Sign::BusOffs { many: false, .. } => (SignName::BusOffs, SignValue::Few),
            Sign::BusOffs { many: true, .. } => (SignName::BusOffs, SignValue::Everyone),
            Sign::BusOffsPassed => (SignName::BusOffs, SignValue::Passed),
            Sign::Answers { after: Some(_) } => (SignName::Answers, SignValue::Own),
            Sign::Answers { after: None } => (SignName::Answers, SignValue::None),
            Sign::AllAnswer { .. } => (SignName::AllAnswer, SignValue::Everyone),
            Sign::OwnSwitch { throughout: true, .. } => {
                (SignName::OwnSwitch, SignValue::Throughout)
            }
            Sign::OwnSwitch { .. } => (SignName::OwnSwitch, SignValue::Perhaps),
            Sign::Now(Now::Passed) => (SignName::Now, SignValue::Passed),
            Sign::Now(Now::LastDrive) => (SignName::Now, SignValue::LastDrive),
            Sign::Now(Now::Failing) => (SignName::Now, SignValue::Failing),
            Sign::Now(Now::Mended) => (SignName::Now, SignValue::Mended),
            Sign::Now(Now::Remembered) => (SignName::Now, SignValue::Remembered),
            Sign::OnlyAnswers => (SignName::OnlyAnswers, SignValue::Own),
            Sign::DriveTrain { .. } => (SignName::DriveTrain, SignValue::Near),
            Sign::NothingLost => (SignName::NothingLost, SignValue::Over),
            Sign::StoredByMany(_) => (SignName::StoredByMany, SignValue::Several),
            Sign::Now(Now::Recent) => (SignName::Now, SignValue::Recent),
            Sign::Now(Now::Listed) => (SignName::Now, SignValue::Listed),
        }
    }
}

impl LeadKind {
    fn value(self) -> SignValue {
        match self {
            LeadKind::Switch => SignValue::Switch,
            LeadKind::Supply => SignValue::Supply,
            LeadKind::Warmth => SignValue::Warmth,
            LeadKind::Movement => SignValue::Movement,
        }
    }
}

impl Starter {
    fn value(self) -> SignValue {
        match self {
            Starter::Soon | Starter::Turned => SignValue::Soon,
            Starter::Open(_) => SignValue::Open,
            Starter::Delayed(_) => SignValue::Delayed,
            Starter::Late(_) => SignValue::Late,
            Starter::Charged(_) => SignValue::Charged,
        }
    }
}

impl Return {
    /// The side alone, however clear: one message tells no more.
    fn side(self) -> SignValue {
        match self.value() {
            SignValue::LeansAnew | SignValue::StartedAnew => SignValue::StartedAnew,
            SignValue::LeansOn | SignValue::RanOn => SignValue::RanOn,
            SignValue::NoReturn => SignValue::NoReturn,
            _ => SignValue::Unclear,
        }
    }

    fn value(self) -> SignValue {
        match self {
            Return::No => SignValue::NoReturn,
            Return::LostAddress => SignValue::LostAddress,
            Return::StartedAnew { .. } => SignValue::StartedAnew,
            Return::RanOn { .. } => SignValue::RanOn,
            Return::Leans { on: true, .. } => SignValue::LeansOn,
            Return::Leans { on: false, .. } => SignValue::LeansAnew,
            Return::Divided { .. } => SignValue::Divided,
            Return::Untold { .. } | Return::Mixed { .. } => SignValue::Unclear,
        }
    }
}
