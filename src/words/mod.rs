//! Every sentence: from typed evidence to English. Nothing before this room knows English.

pub mod comparison;
pub mod diagnosis;
pub mod fault;
pub mod terms;
