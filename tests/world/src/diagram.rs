//! The reliability diagram as a picture, and rows for whoever fits numbers.

use std::fmt::Write as _;

use crate::case::Set;
use crate::figures::Figures;
use crate::judge::Verdict;

/// A picture of 320 by 320: stated across, true upwards, the area of a dot by its findings.
pub fn svg(figures: &Figures, title: &str) -> String {
    let mut text = String::from(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"360\" height=\"380\" \
         font-family=\"sans-serif\" font-size=\"12\">\n",
    );
    let _ = writeln!(text, "<text x=\"30\" y=\"18\">{title}</text>");
    text.push_str(
        "<rect x=\"30\" y=\"30\" width=\"320\" height=\"320\" fill=\"none\" stroke=\"#888\"/>\n",
    );
    text.push_str("<line x1=\"30\" y1=\"350\" x2=\"350\" y2=\"30\" stroke=\"#888\"/>\n");
    for (many, hold, sum) in figures.stated.bins.iter().filter(|bin| bin.0 > 0) {
        let x = 30.0 + 320.0 * sum / *many as f64;
        let y = 350.0 - 320.0 * *hold as f64 / *many as f64;
        let radius = 2.0 + (*many as f64).sqrt();
        let _ = writeln!(
            text,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\" fill=\"#2a6\" opacity=\"0.6\"/>\
             <text x=\"{:.1}\" y=\"{y:.1}\">{many}</text>",
            x + radius + 2.0
        );
    }
    text.push_str("<text x=\"150\" y=\"370\">stated</text>\n");
    text.push_str(
        "<text x=\"20\" y=\"190\" transform=\"rotate(-90 20 190)\">true</text>\n</svg>\n",
    );
    text
}

/// One line for each finding: set, case, fault, rank, class, probability as stated and before the
/// tool's last step, benign, holds, right.
pub fn rows(verdicts: &[(Set, Verdict)]) -> String {
    let mut text =
        String::from("set,case,faults,rank,class,probability,uncalibrated,benign,holds,right\n");
    for (set, verdict) in verdicts {
        let faults: Vec<&str> =
            verdict.truth.planted.iter().map(|planted| planted.fault.as_str()).collect();
        for (rank, finding) in verdict.findings.iter().enumerate() {
            let _ = writeln!(
                text,
                "{},{},{},{},{},{:.4},{:.4},{},{},{}",
                set.name(),
                verdict.truth.case,
                faults.join(" + "),
                rank + 1,
                finding.class,
                finding.probability,
                finding.uncalibrated,
                u8::from(finding.benign),
                u8::from(finding.holds),
                u8::from(!finding.right.is_empty()),
            );
        }
    }
    text
}
