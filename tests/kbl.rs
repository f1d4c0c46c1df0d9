//! Harness descriptions in KBL (VDA 4964) as wiring files. The file is made here after the
//! published schema 2.4 (`kbl24.xsd`, MIT, prostep ivip): invented, of no vehicle.

use std::fmt::Write;
use std::process::Command;

use lostnode::wiring_file::{ElementKind, NotUnderstood, WiringFile};

/// A harness that is written down.
#[derive(Default)]
struct Harness {
    parts: String,
    inside: String,
    wires: usize,
}

impl Harness {
    /// A connector with so many cavities; `mates` with those of another.
    fn connector(&mut self, id: &str, name: &str, usage: &str, count: usize, mates: Option<&str>) {
        let _ = write!(
            self.parts,
            "<Connector_housing id=\"h_{id}\"><Part_number>{id}</Part_number><Slots id=\"hs_{id}\"><Id>1</Id><Number_of_cavities>{count}</Number_of_cavities></Slots></Connector_housing>"
        );
        let _ = write!(
            self.inside,
            "<Connector_occurrence id=\"{id}\"><Id>X.{id}</Id><Description>{name}</Description>"
        );
        if !usage.is_empty() {
            let _ = write!(self.inside, "<Usage>{usage}</Usage>");
        }
        let _ = write!(self.inside, "<Part>h_{id}</Part>");
        for at in 1..=count {
            let _ = write!(
                self.inside,
                "<Contact_points id=\"p_{id}_{at}\"><Id>{at}</Id><Contacted_cavity>c_{id}_{at}</Contacted_cavity></Contact_points>"
            );
        }
        let _ = write!(self.inside, "<Slots id=\"s_{id}\"><Part>hs_{id}</Part>");
        for at in 1..=count {
            let mates = mates.map_or(String::new(), |other| {
                format!("<Mated_cavities>c_{other}_{at}</Mated_cavities>")
            });
            let _ = write!(
                self.inside,
                "<Cavities id=\"c_{id}_{at}\">{mates}<Part>hc</Part></Cavities>"
            );
        }
        self.inside += "</Slots></Connector_occurrence>\n";
    }

    fn wire(&mut self, signal: &str, kind: &str, from: (&str, usize), to: (&str, usize)) {
        self.wires += 1;
        let at = self.wires;
        let kind = match kind {
            "" => String::new(),
            kind => format!("<Signal_type>{kind}</Signal_type>"),
        };
        let _ = write!(
            self.inside,
            "<Connection id=\"w{at}\"><Signal_name>{signal}</Signal_name>{kind}<Wire>wo{at}</Wire>"
        );
        for (place, (id, cavity)) in [from, to].into_iter().enumerate() {
            let _ = write!(
                self.inside,
                "<Extremities id=\"e{at}_{place}\"><Position_on_wire>{place}</Position_on_wire><Contact_point>p_{id}_{cavity}</Contact_point></Extremities>"
            );
        }
        self.inside += "</Connection>\n";
    }

    /// A box with one fuse between its cavities 1 and 2, to which wires go as to a connector.
    fn fuse_box(&mut self) {
        self.parts += "<Component_box id=\"bp\"><Part_number>b</Part_number><Component_box_connectors id=\"bc\"><Id>1</Id><Integrated_slots id=\"bs\"><Cavities id=\"bk1\"/><Cavities id=\"bk2\"/></Integrated_slots></Component_box_connectors><Component_slots id=\"cs\"><Id>F23</Id><Component_cavities id=\"ck1\"><Cavity_number>1</Cavity_number></Component_cavities><Component_cavities id=\"ck2\"><Cavity_number>2</Cavity_number></Component_cavities></Component_slots><Connections id=\"in\"><Id>1</Id><Cavities>bk1</Cavities><Component_cavities>ck1</Component_cavities></Connections><Connections id=\"out\"><Id>2</Id><Cavities>bk2</Cavities><Component_cavities>ck2</Component_cavities></Connections></Component_box>";
        self.inside += "<Component_box_occurrence id=\"box\"><Id>box</Id><Part>bp</Part><Component_box_connectors id=\"obc\"><Part>bc</Part><Slots id=\"obs\"><Cavities id=\"c_box_1\"><Part>bk1</Part></Cavities><Cavities id=\"c_box_2\"><Part>bk2</Part></Cavities></Slots></Component_box_connectors><Component_slots id=\"ocs\"><Part>cs</Part><Component_cavities id=\"ock1\"><Part>ck1</Part></Component_cavities><Component_cavities id=\"ock2\"><Part>ck2</Part></Component_cavities></Component_slots><Contact_points id=\"p_box_1\"><Id>1</Id><Contacted_cavity>c_box_1</Contacted_cavity></Contact_points><Contact_points id=\"p_box_2\"><Id>2</Id><Contacted_cavity>c_box_2</Contacted_cavity></Contact_points></Component_box_occurrence>\n<Component_occurrence id=\"f23\"><Id>fuse F23</Id><Mounting>ocs</Mounting><Part>fuse</Part></Component_occurrence>\n";
    }

    fn text(&self) -> String {
        format!(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<kbl:KBL_container xmlns:kbl=\"http://www.prostep.org/Car_electric_container/KBL2.3/KBLSchema\" id=\"k\" version_id=\"2.4\">\n{}\n<Harness id=\"h\"><Part_number>1</Part_number><Content>harness complete set</Content>\n{}<Fixing_occurrence id=\"fx\"><Id>1</Id><Part>x</Part></Fixing_occurrence>\n</Harness></kbl:KBL_container>\n",
            self.parts, self.inside
        )
    }
}

/// What `samples/van-wiring.toml` says by hand: door and mirror share the fuse, a plug and a splice
/// of the bus; each has a ground of its own.
fn van() -> Harness {
    let mut harness = Harness::default();
    harness.connector("door", "Sliding door, module", "", 4, None);
    harness.connector("mirror", "Left mirror", "", 4, None);
    harness.connector("body", "body", "", 2, None);
    harness.connector("seat", "Seat heating", "", 2, None);
    harness.connector("dlc", "Diagnostic connector", "", 2, None);
    harness.connector("pillar_a", "Plug at the B-pillar", "", 3, Some("pillar_b"));
    harness.connector("pillar_b", "Plug at the B-pillar, body side", "", 3, Some("pillar_a"));
    harness.connector("step", "Ground point behind the step", "ring terminal", 1, None);
    harness.connector("sill", "Ground point on the left sill", "ring terminal", 1, None);
    harness.connector("post", "Battery post", "ring terminal", 1, None);
    harness.connector("spl_h", "Splice CAN-H left", "splice", 3, None);
    harness.connector("spl_p", "Splice of F23", "splice", 3, None);
    harness.fuse_box();
    harness.wire("30.1", "", ("post", 1), ("box", 1));
    harness.wire("30.F23", "", ("box", 2), ("pillar_b", 1));
    harness.wire("30.F23", "", ("pillar_a", 1), ("spl_p", 1));
    harness.wire("30.F23", "", ("spl_p", 2), ("door", 1));
    harness.wire("30.F23", "", ("spl_p", 3), ("mirror", 1));
    harness.wire("M31", "GROUND", ("door", 2), ("step", 1));
    harness.wire("M.31.x", "", ("mirror", 2), ("sill", 1));
    harness.wire("CAN_H", "", ("dlc", 1), ("pillar_b", 2));
    harness.wire("CAN_H", "", ("pillar_a", 2), ("spl_h", 1));
    harness.wire("CAN_H", "", ("spl_h", 2), ("door", 3));
    harness.wire("CAN_H", "", ("spl_h", 3), ("mirror", 3));
    harness.wire("31.2", "", ("seat", 2), ("sill", 1));
    harness.wire("LAMP", "", ("body", 1), ("seat", 1));
    harness
}

fn feeds<'a>(file: &'a WiringFile, name: &str) -> (ElementKind, Vec<&'a str>) {
    let found = file.elements.iter().find(|own| own.name == name);
    let own = found.unwrap_or_else(|| panic!("no {name}: {:?}", file.elements));
    (own.kind, own.feeds.iter().map(|fed| fed.name.as_str()).collect())
}

#[test]
fn what_hangs_on_each_part_follows_from_the_wires() {
    let file = WiringFile::parse(&van().text()).unwrap();
    let (door, mirror) = ("Sliding door, module", "Left mirror");
    let expected = [
        ("Ground point behind the step", ElementKind::Ground, vec![door]),
        ("Ground point on the left sill", ElementKind::Ground, vec![mirror, "Seat heating"]),
        ("Battery post", ElementKind::Supply, vec![door, mirror]),
        ("fuse F23", ElementKind::Fuse, vec![door, mirror]),
        ("Splice of F23", ElementKind::Splice, vec![door, mirror]),
        ("Splice CAN-H left", ElementKind::Splice, vec![door, mirror]),
        ("Plug at the B-pillar", ElementKind::Connector, vec![door, mirror]),
        ("plug of Sliding door, module", ElementKind::Connector, vec![door]),
    ];
    for (name, kind, fed) in expected {
        assert_eq!(feeds(&file, name), (kind, fed), "{name}");
    }
    let own = |name: &str| file.elements.iter().find(|own| own.name == name).unwrap().carries;
    let pillar = own("Plug at the B-pillar");
    assert!(pillar.supply && pillar.bus && !pillar.ground);
    let splice = own("Splice CAN-H left");
    assert!(splice.bus && !splice.power());
    assert!(file.elements.iter().all(|own| !own.name.contains("Diagnostic")));
    let described = file.described.unwrap();
    assert_eq!((described.plugs, described.splices, described.ring_terminals), (7, 2, 3));
    assert_eq!((described.wires, described.fuses), (13, 1));
    assert_eq!(described.not_understood, [(NotUnderstood::Signal, 1)]);
    assert_eq!(described.not_read, [("Fixing_occurrence".to_owned(), 1)]);
}

/// The report names the ground behind the step as it does with the wiring file by hand, and says
/// what it made of the file.
#[test]
fn the_report_takes_it_as_a_wiring_file() {
    let place = tempfile::tempdir().unwrap();
    let path = place.path().join("harness.kbl");
    std::fs::write(&path, van().text()).unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_lostnode"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .env("COLUMNS", "200")
        .args(["report", "samples/van-door.log.gz", "--roster", "samples/van-roster.toml"])
        .arg("--wiring")
        .arg(&path)
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    // The plug of a module stands in such a file too, and no capture tells it from the ground.
    let told = "no capture can tell plug of Sliding door, module from Ground point behind the step";
    assert!(text.contains(told), "{text}");
    assert!(text.contains("why not fuse F23: it feeds left mirror too, which kept sending"));
    let told =
        "From a harness description: 7 plugs, 2 splices, 3 ring terminals, 1 fuse and 13 wires.";
    assert!(text.contains(told), "{text}");
    // Of `Seat heating` no node is known.
    assert!(text.contains("1 plug is of no node of this capture"), "{text}");
    assert!(text.contains("not understood: 1 wire without a known signal"), "{text}");
    assert!(text.contains("not read: 1 Fixing_occurrence"), "{text}");
}

/// What is no harness, or is broken off anywhere, is refused or read as far as it goes, and never
/// more than that.
#[test]
fn damage_is_told_and_no_more() {
    let wrong = |text: &str, part: &str| {
        let error = WiringFile::parse(text).unwrap_err().to_string();
        assert!(error.contains(part), "{error}");
    };
    wrong("<html/>", "its root is not KBL_container");
    wrong("<kbl:KBL_container", "");
    let whole = van().text();
    for at in (0..whole.len()).step_by(97) {
        assert!(WiringFile::parse(&whole[..at]).is_err() || at == 0, "{at}");
    }
    // References into nowhere are counted.
    let dangling = whole.replace("<Contact_point>p_spl_h_1<", "<Contact_point>nowhere<");
    let described = WiringFile::parse(&dangling).unwrap().described.unwrap();
    assert!(described.not_understood.contains(&(NotUnderstood::Dangling, 1)), "{described:?}");
    // Each tag and each reference away once: no panic, whatever is left.
    for tag in ["Mounting", "Contacted_cavity", "Mated_cavities", "Part", "Id", "Contact_point"] {
        let _ = WiringFile::parse(&whole.replace(tag, "Other"));
    }
}
