//! `report.html` as a browser shows it.

mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use common::{lostnode, own};

/// The page of the sample with everything in it.
fn page(folder: &Path) -> PathBuf {
    let done = lostnode()
        .arg("report")
        .arg(own("samples/van-door.log.gz"))
        .args(["--roster".as_ref(), own("samples/van-roster.toml").as_os_str()])
        .args(["--readings".as_ref(), own("samples/van-job.toml").as_os_str()])
        .arg("--out")
        .arg(folder)
        .stdout(Stdio::null())
        .status()
        .unwrap();
    assert_eq!(done.code(), Some(1));
    folder.join("report.html")
}

#[test]
fn one_file_without_network_or_script() {
    let folder = tempfile::tempdir().unwrap();
    let text = fs::read_to_string(page(folder.path())).unwrap();
    for outside in [
        "http:",
        "https:",
        "src=",
        "href=",
        "<script",
        "@import",
        "url(",
        "javascript:",
        "<iframe",
        "<object",
    ] {
        assert!(!text.contains(outside), "{outside} is in the page");
    }
    assert!(
        text.contains("default-src 'none'")
            && text.contains("lang=\"en\"")
            && text.contains("name=\"viewport\"")
    );
    // Lanes and outages have hover text; every picture has an accessible name.
    assert!(text.contains(
        "<title>sliding door: node without power or reset for 1.79 s, from 31.2 s to 33.0 s</title>"
    ));
    // The samples of the legend stand beside their words.
    let legend = text.matches("aria-hidden=\"true\"><rect").count();
    assert_eq!(legend, 3);
    assert_eq!(
        text.matches("<svg").count() - legend,
        text.matches("role=\"img\" aria-label=").count()
    );
    assert_eq!(
        text.matches("type=\"checkbox\" id=").count(),
        text.matches("<label for=\"test").count()
    );
    for part in [
        "sliding door: no power or ground",
        "1.9 V (bad ground)",
        "Done: repaired",
        "its VIN is blank",
        "What was checked, and what was not",
    ] {
        assert!(text.contains(part), "{part} is missing");
    }
}

/// What the bus or a file name says never becomes markup.
#[test]
fn names_are_no_markup() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("<img src=x onerror=alert(1)>.log");
    let vin: String = "<b>0123456789</b>".bytes().map(|byte| format!("{byte:02X}")).collect();
    let log = format!(
        "(1.000000) c&<i>n 7E0#0322F190AAAAAAAA\n(1.010000) c&<i>n 7E8#101462F190{}\n(1.020000) c&<i>n 7E0#3000000000000000\n(1.030000) c&<i>n 7E8#21{}\n(1.040000) c&<i>n 7E8#22{}\n",
        &vin[..6],
        &vin[6..20],
        &vin[20..34]
    );
    fs::write(&path, log).unwrap();
    let out = folder.path().join("out");
    lostnode()
        .arg("report")
        .arg(&path)
        .arg("--out")
        .arg(&out)
        .stdout(Stdio::null())
        .status()
        .unwrap();
    let text = fs::read_to_string(out.join("report.html")).unwrap();
    assert!(text.contains("&lt;b&gt;0123456789&lt;") && text.contains("&lt;img src"), "{text}");
    assert!(!text.contains("<b>0123456789") && !text.contains("<img") && !text.contains("<i>n"));
}

/// Chromium, or a printed line that the test is skipped.
fn browser() -> Option<Command> {
    let name = std::env::var("LOSTNODE_CHROMIUM").unwrap_or_else(|_| "chromium".to_owned());
    if Command::new(&name)
        .arg("--version")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_err()
    {
        println!("skipped: there is no {name}");
        return None;
    }
    let mut command = Command::new(name);
    command.args([
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--hide-scrollbars",
        "--disable-component-update",
    ]);
    Some(command)
}

/// No error on the console, and no sideways scroll from a phone to a desk.
#[test]
fn a_browser_shows_it_without_errors_or_sideways_scroll() {
    let Some(_) = browser() else { return };
    let folder = tempfile::tempdir().unwrap();
    let page = page(folder.path());
    // The page itself has no script: a page around it measures.
    let measuring = folder.path().join("measure.html");
    fs::write(
        &measuring,
        "<body><script>\nlet out = '';\nlet left = 3;\nfor (const width of [360, 390, 1000]) {\n  const f = document.createElement('iframe');\n  f.style.width = width + 'px'; f.style.border = '0';\n  f.onload = () => { const d = f.contentDocument.documentElement; out += width + ':' + (d.scrollWidth <= f.clientWidth) + ' '; if (--left == 0) document.title = 'measured ' + out; };\n  f.src = 'report.html'; document.body.append(f);\n}\n</script>",
    )
    .unwrap();
    let url = |path: &Path| format!("file://{}", path.display());
    let output = browser()
        .unwrap()
        .args([
            "--allow-file-access-from-files",
            "--virtual-time-budget=5000",
            "--enable-logging=stderr",
            "--dump-dom",
        ])
        .arg(url(&measuring))
        .output()
        .unwrap();
    let (dom, log) =
        (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(dom.contains("measured "), "{log}");
    assert!(
        !dom.contains(":false"),
        "{}",
        dom.lines().find(|line| line.contains("measured")).unwrap_or("")
    );
    let output = browser()
        .unwrap()
        .args(["--enable-logging=stderr", "--dump-dom"])
        .arg(url(&page))
        .output()
        .unwrap();
    let log = String::from_utf8_lossy(&output.stderr);
    assert!(!log.contains("CONSOLE"), "{log}");
}

/// On paper nothing is cut: every code of the tables is in the printed text, and the sheets are A4
/// or Letter as asked.
#[test]
fn it_prints() {
    let Some(_) = browser() else { return };
    let folder = tempfile::tempdir().unwrap();
    let page = page(folder.path());
    let pdf = folder.path().join("report.pdf");
    let done = browser()
        .unwrap()
        .args([
            "--no-pdf-header-footer".to_owned(),
            format!("--print-to-pdf={}", pdf.display()),
            format!("file://{}", page.display()),
        ])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .unwrap();
    assert!(done.success() && fs::metadata(&pdf).unwrap().len() > 20_000);
    let Ok(output) = Command::new("pdftotext").arg("-layout").arg(&pdf).arg("-").output() else {
        println!("skipped: there is no pdftotext");
        return;
    };
    let text = String::from_utf8_lossy(&output.stdout);
    for code in [
        "P0128",
        "P0562",
        "U0155-00",
        "U0199-87",
        "U3003-16",
        "U0140-00",
        "its VIN is blank",
        "no power or ground",
    ] {
        assert!(text.contains(code), "{code} is cut");
    }
}
