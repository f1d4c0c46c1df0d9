//! Every sentence: from typed evidence to English. Nothing before this room knows English.

pub mod bus;
pub mod comparison;
pub mod diagnosis;
pub mod explain;
pub mod fault;
pub mod first_screen;
pub mod headline;
pub mod just_before;
pub mod live;
pub mod marks;
pub mod messages;
mod moved;
pub mod naming;
pub mod network;
pub mod notices;
pub mod outage;
mod return_signs;
mod returned;
pub mod signals;
mod signs;
pub mod steps;
pub mod terms;
pub mod unnamed;
pub mod values;
pub mod verdict;
pub mod who;
pub mod wiring;
