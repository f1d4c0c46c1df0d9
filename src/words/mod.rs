//! Every sentence: from typed evidence to English. Nothing before this room knows English.

pub mod terms;
