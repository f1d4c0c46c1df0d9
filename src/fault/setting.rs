//! How likely a symptom is where its subject is in another setting than usual.

use super::knowledge::SymptomTable;
use crate::analysis::finding::ClassName;
use crate::analysis::symptom::Setting;

impl SymptomTable {
    /// How likely a fault of a class shows it.
    pub fn shown_by(&self, class: &ClassName, setting: Setting) -> Option<f64> {
        let own = match setting {
            Setting::Usual | Setting::Tied => None,
            Setting::Gateway => self.of_gateway.get(class),
            Setting::CalledGateway => self.called_gateway.get(class),
            Setting::LoneGateway => self.lone_gateway.get(class),
            Setting::InTurn => self.in_turn.get(class),
            Setting::MayPause | Setting::Sometimes => self.may_pause.get(class),
            Setting::PerhapsOff => self.perhaps_off.get(class),
        };
        own.or_else(|| self.by.get(class)).copied()
    }

    /// How likely it appears with no fault at all.
    pub fn leak(&self, setting: Setting) -> f64 {
        let own = match setting {
            Setting::MayPause => self.leak_may_pause,
            Setting::PerhapsOff => self.leak_perhaps_off,
            Setting::Sometimes => self.leak_sometimes.or(self.leak_may_pause),
            Setting::Tied => self.leak_tied,
            _ => None,
        };
        own.unwrap_or(self.leak)
    }
}
