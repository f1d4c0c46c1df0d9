//! Prints figures.

use std::collections::BTreeSet;

use crate::figures::Figures;

/// The table of the goals.
pub fn totals(figures: &Figures) {
    println!("{:<52} {:<24} wanted", "", "measured");
    let row = |what: &str, value: String, wanted: &str| println!("{what:<52} {value:<24} {wanted}");
    row("first finding right (class and subject)", figures.first.to_string(), "0.92");
    row("  what is true besides passed over", figures.first_leniently.to_string(), "");
    row("among the first three", figures.three.to_string(), "0.99");
    row("both of a pair among the first three", figures.both.to_string(), "0.88");
    row("sound vehicles blamed above 20 %", figures.blamed.to_string(), "0");
    row("calibration error", format!("{:.3}", figures.stated.error()), "0.05");
    row("stated at 0.95 or more, and true", figures.stated.sure.to_string(), "0.95");
    row("addressed by one of the first two tests", figures.addressed.to_string(), "0.95");
    row("groups named exactly, of those named", figures.exact.to_string(), "");
    let mean = |place: usize| figures.minutes.0[place] / figures.minutes.1.max(1) as f64;
    let minutes = [0, 1, 2, 3].map(|place| format!("{:.0}", mean(place))).join(", ");
    row("minutes to the cause: told, by probability, chance, best", minutes, "");
    row("airbag findings that call for care", figures.careful.to_string(), "all");
    if figures.failed > 0 {
        row("the tool failed", figures.failed.to_string(), "0");
    }
    errors(figures);
}

fn errors(figures: &Figures) {
    println!("\nerror frames after arbitration, by load: named, and of these right (wanted 0.98)");
    let names = ["below 15 %", "15 to 30 %", "30 to 50 % (named: 0.80)", "50 % and more"];
    for (name, (named, right)) in names.iter().zip(&figures.errors) {
        println!("  {name:<26} named {named:<26} right {right}");
    }
    println!("  in arbitration, and named all the same: {}", figures.early);
}

/// By fault, with the confusion table. A star: the class stands on other units than the fault's.
pub fn by_fault(figures: &Figures) {
    println!("\n{:<26} {:<24} among three", "by fault", "first right");
    for (fault, (first, three)) in &figures.by_fault {
        println!("{fault:<26} {:<24} {three}", first.to_string());
    }
    println!("\nclass of the first finding (*: on other units)");
    let faults: BTreeSet<&String> = figures.confusion.keys().map(|(fault, _)| fault).collect();
    for fault in faults {
        let mut said: Vec<(usize, &str)> = figures
            .confusion
            .iter()
            .filter(|((own, _), _)| own == fault)
            .map(|((_, class), many)| (*many, class.as_str()))
            .collect();
        said.sort_by(|a, b| b.cmp(a));
        let said: Vec<String> =
            said.iter().map(|(many, class)| format!("{class} {many}")).collect();
        println!("{fault:<26} {}", said.join(", "));
    }
}

/// How often what is stated is true, bin by bin.
pub fn reliability(figures: &Figures) {
    println!("\n| stated | findings | mean stated | true | |");
    println!("|---|---|---|---|---|");
    for (place, (many, hold, sum)) in figures.stated.bins.iter().enumerate() {
        let (low, high) = (place as f64 / 10.0, (place + 1) as f64 / 10.0);
        if *many == 0 {
            println!("| {low:.1} to {high:.1} | 0 | | | |");
            continue;
        }
        let (mean, share) = (sum / *many as f64, *hold as f64 / *many as f64);
        let bar = "#".repeat((share * 20.0).round() as usize);
        println!("| {low:.1} to {high:.1} | {many} | {mean:.2} | {share:.2} | `{bar:<20}` |");
    }
}

/// The same by class of finding.
pub fn classes(figures: &Figures) {
    println!("\n{:<20} findings  mean stated  true", "by class of finding");
    for (class, (many, hold, sum)) in &figures.classes {
        let (mean, share) = (sum / *many as f64, *hold as f64 / *many as f64);
        println!("{class:<20} {many:>8} {mean:>12.2} {share:>5.2}");
    }
}
