//! From an identifier on a channel to its place in a list: a direct table for 11 bits, a hash table
//! for 29 bits.

use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};

use lostnode_parsers::Id;

/// Position of a channel in the list of all of a capture.
pub type ChannelIndex = u16;

/// Identifiers of 11 bits.
const STANDARD: usize = 1 << 11;

/// Places of identifiers, in order of appearance.
#[derive(Clone, Debug, Default)]
pub struct Places {
    /// Per channel, one entry for each identifier of 11 bits: its place and one, or nought. None
    /// where there is no such identifier.
    standard: Vec<Option<Box<[u32; STANDARD]>>>,
    extended: Map<(ChannelIndex, u32), u32>,
    count: usize,
}

impl Places {
    /// The place of an identifier; a new one gets the next while there are fewer than `most`.
    /// `None` where there are not.
    ///
    /// ```
    /// use lostnode::ids::Places;
    /// use lostnode::parsers::frame::parse_id;
    /// let [a, b] = ["123", "00000123"].map(|digits| parse_id(digits).unwrap());
    /// let mut places = Places::default();
    /// assert_eq!([places.of(0, a, 2), places.of(0, b, 2)], [Some(0), Some(1)]);
    /// // No third one, on another channel; the first is known.
    /// assert_eq!([places.of(1, a, 2), places.of(0, a, 2)], [None, Some(0)]);
    /// ```
    #[inline]
    pub fn of(&mut self, channel: ChannelIndex, id: Id, most: usize) -> Option<usize> {
        self.known(channel, id).or_else(|| self.add(channel, id, most))
    }

    #[cold]
    fn add(&mut self, channel: ChannelIndex, id: Id, most: usize) -> Option<usize> {
        if self.count >= most {
            return None;
        }
        self.count += 1;
        match id {
            Id::Standard(id) => {
                let channel = usize::from(channel);
                if self.standard.len() <= channel {
                    self.standard.resize(channel + 1, None);
                }
                let table = self.standard[channel].get_or_insert_with(|| Box::new([0; STANDARD]));
                table[usize::from(id.as_raw()) % STANDARD] = self.count as u32;
            }
            Id::Extended(id) => {
                self.extended.insert((channel, id.as_raw()), self.count as u32 - 1);
            }
        }
        Some(self.count - 1)
    }

    /// Clears the index; `all` must name every stored identifier (cheaper than wiping the table).
    pub fn clear(&mut self, all: impl Iterator<Item = (ChannelIndex, Id)>) {
        for (channel, id) in all {
            if let (Id::Standard(id), Some(Some(table))) =
                (id, self.standard.get_mut(usize::from(channel)))
            {
                table[usize::from(id.as_raw()) % STANDARD] = 0;
            }
        }
        self.extended.clear();
        self.count = 0;
    }

    /// The place of an identifier that has one.
    #[inline]
    pub fn known(&self, channel: ChannelIndex, id: Id) -> Option<usize> {
        match id {
            Id::Standard(id) => {
                let table = self.standard.get(usize::from(channel))?.as_ref()?;
                (table[usize::from(id.as_raw()) % STANDARD] as usize).checked_sub(1)
            }
            Id::Extended(id) => {
                self.extended.get(&(channel, id.as_raw())).map(|place| *place as usize)
            }
        }
    }
}

/// A table of few and harmless keys, looked up often.
pub(crate) type Map<K, V> = HashMap<K, V, BuildHasherDefault<Mixing>>;

/// Multiplies and folds (Knuth's multiplicative hashing). Whoever chooses identifiers so that they
/// collide can slow the look-up down; their number is bounded, so not by much.
#[derive(Clone, Debug, Default)]
pub(crate) struct Mixing(u64);

impl Hasher for Mixing {
    fn write(&mut self, bytes: &[u8]) {
        bytes.iter().for_each(|byte| self.write_u64(u64::from(*byte)));
    }

    fn write_u16(&mut self, value: u16) {
        self.write_u64(u64::from(value));
    }

    fn write_u32(&mut self, value: u32) {
        self.write_u64(u64::from(value));
    }

    fn write_u64(&mut self, value: u64) {
        let mixed = (self.0 ^ value).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        self.0 = mixed ^ mixed >> 32;
    }

    fn finish(&self) -> u64 {
        self.0
    }
}

/// A place in a list that is named after what stands there, so that a node is never looked up by
/// the place of an identifier.
macro_rules! place {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(pub usize);

        impl<T> std::ops::Index<$name> for Vec<T> {
            type Output = T;

            fn index(&self, at: $name) -> &T {
                &self[at.0]
            }
        }

        impl<T> std::ops::Index<$name> for [T] {
            type Output = T;

            fn index(&self, at: $name) -> &T {
                &self[at.0]
            }
        }

        impl<T> std::ops::IndexMut<$name> for Vec<T> {
            fn index_mut(&mut self, at: $name) -> &mut T {
                &mut self[at.0]
            }
        }
    };
}

place! {
    /// Place of a node in the list of all senders.
    NodeIndex
}

place! {
    /// Place of an identifier in the list of all: in order of appearance while the analysis is at
    /// work, in order of channel and identifier in its result.
    IdIndex
}

place! {
    /// Place of a node in a roster file.
    RosterIndex
}
