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
fn one_file_without_network() {
    let folder = tempfile::tempdir().unwrap();
    let text = fs::read_to_string(page(folder.path())).unwrap();
    for outside in [
        "http:",
        "https:",
        "src=",
        "href=",
        "@import",
        "fetch(",
        "XMLHttpRequest",
        "WebSocket",
        "sendBeacon",
        "import(",
        "eval(",
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
        "<title>sliding door: module lost power or reset for 1.79 s, from 31.2 s to 33.0 \
         s</title>"
    ));
    // One script, which no text of the capture can be mistaken for: the policy names its hash.
    assert_eq!(text.matches("<script").count(), 1);
    let script = text.split("<script>").nth(1).unwrap().split("</script>").next().unwrap();
    if let Some(hash) = sha256(script) {
        assert!(text.contains(&format!("script-src 'sha256-{hash}'")), "its hash is {hash}");
    }
    // The samples of the legend stand beside their words.
    let legend = text.matches("aria-hidden=\"true\"><rect").count();
    assert_eq!(legend, 3);
    assert_eq!(
        text.matches("<svg").count() - legend,
        text.matches("role=\"img\" aria-label=").count()
    );
    assert_eq!(
        text.matches("type=\"checkbox\" id=\"test").count(),
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

/// SHA-256 in base64, by tools of the system; `None` where they are not there.
fn sha256(text: &str) -> Option<String> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("script");
    fs::write(&path, text).unwrap();
    let Ok(output) = Command::new("sha256sum").arg(&path).output() else {
        println!("skipped: there is no sha256sum");
        return None;
    };
    let hex = String::from_utf8(output.stdout).unwrap();
    let nibbles: Vec<u32> = hex.chars().map_while(|c| c.to_digit(16)).collect();
    assert_eq!(nibbles.len(), 64);
    // Three hexadecimal digits are two of base64.
    let digits: String = ('A'..='Z').chain('a'..='z').chain('0'..='9').chain(['+', '/']).collect();
    let digit = |at: u32| digits.as_bytes()[at as usize] as char;
    let pair = |own: &[u32]| {
        let value = own.iter().chain(&[0, 0]).take(3).fold(0, |all, one| all * 16 + one);
        [digit(value / 64), digit(value % 64)]
    };
    let all: String = nibbles.chunks(3).flat_map(pair).take(43).collect();
    Some(all + "=")
}

/// People look before they read: the headline, what to do first and who was heard when come before
/// all else.
#[test]
fn the_lanes_stand_under_the_headline_and_the_first_test() {
    let folder = tempfile::tempdir().unwrap();
    let text = fs::read_to_string(page(folder.path())).unwrap();
    let place = |part: &str| text.find(part).unwrap_or_else(|| panic!("{part} is missing"));
    let order = [
        "<h1>",
        "id=\"first\"",
        "id=\"presence\"",
        "class=\"lane\"",
        "id=\"findings\"",
        "id=\"tests\"",
        "type=\"checkbox\"",
        "id=\"load\"",
        "id=\"outages\"",
    ];
    for pair in order.windows(2) {
        assert!(place(pair[0]) < place(pair[1]), "{pair:?}");
    }
    // The title is the headline, and the marks of time are round, as in the picture.
    let between = |from: &str, to: &str| text.split(from).nth(1).unwrap().split(to).next().unwrap();
    let heading = between("<h1>", "</h1>").replace("<code>", "`").replace("</code>", "`");
    assert_eq!(between("<title>", "</title>"), heading);
    for round in ["%)\">30</span>", "%)\">60</span>", "%)\">210</span>"] {
        assert!(text.contains(round), "{round}");
    }
    // Load on an axis to 100 %, and enlarged: both with the same highest point.
    let views: Vec<&str> = text.split("<polyline points=\"").skip(1).collect();
    let least = |points: &&str| {
        let points = points.split('"').next().unwrap().split(' ');
        points.map(|point| point.split_once(',').unwrap().1.parse().unwrap()).fold(100.0, f64::min)
    };
    let highest: Vec<f64> = views.iter().map(least).collect();
    assert_eq!(highest, [highest[0]; 2]);
    assert!((90.0..95.0).contains(&highest[0]), "{highest:?}");
    assert!(text.contains("viewBox=\"0 0 1000 100\"") && text.contains("viewBox=\"0 90 1000 10\""));
    // The whole channel slept, as the text has it, and a part number is not broken.
    assert!(text.contains("can0, whole channel"));
    assert!(text.contains("<td class=\"n\" data-name=\"part\">INVENTED-"));
}

/// Outages that are alike are one row, with all of them in a fold that is closed on paper; many
/// lanes without loss are one.
#[test]
fn what_repeats_is_folded() {
    let folder = tempfile::tempdir().unwrap();
    let text = fs::read_to_string(page(folder.path())).unwrap();
    let rows = text.split("id=\"outages\"").nth(1).unwrap().split("</table>").next().unwrap();
    assert_eq!(rows.matches("<tr>").count(), 1 + 2, "{rows}");
    let fold = rows.split("<details><summary>5 outages, like this</summary>").nth(1).unwrap();
    let fold = fold.split("</details>").next().unwrap();
    assert_eq!(fold.matches("<li>at ").count(), 5, "{fold}");
    assert!(!text.contains("<details open"));

    let Some(path) = common::shared("data/car-steady.log.gz") else { return };
    lostnode().arg("report").arg(path).arg("--out").arg(folder.path()).output().unwrap();
    let text = fs::read_to_string(folder.path().join("report.html")).unwrap();
    let lanes = text.split("id=\"presence\"").nth(1).unwrap().split("</section>").next().unwrap();
    let open = lanes.split("<details>").next().unwrap();
    assert!(open.contains("more, nothing lost") && open.matches("class=\"lane\"").count() < 25);
    assert!(lanes.contains("lanes in which nothing is missing</summary>"), "{open}");
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
        common::skip("browser", &format!("there is no {name}"));
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
    // A page around it measures.
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

/// On a phone the first screen holds the headline, what to do first with its caution, and the lane
/// of what was lost, whether it has a name or not.
#[test]
fn the_first_screen_of_a_phone_shows_who_was_lost() {
    let Some(_) = browser() else { return };
    let folder = tempfile::tempdir().unwrap();
    let unnamed = folder.path().join("unnamed");
    fs::create_dir(&unnamed).unwrap();
    let done = lostnode()
        .args(["report", "--out"])
        .args([unnamed.as_path(), &own("samples/van-door.log.gz")])
        .stdout(Stdio::null())
        .status();
    assert_eq!(done.unwrap().code(), Some(1));
    for page in [page(folder.path()), unnamed.join("report.html")] {
        let measuring = page.with_file_name("measure.html");
        fs::write(
            &measuring,
            "<body><iframe src='report.html' style='width:390px;height:844px;border:0'></iframe><script>\nconst f = document.querySelector('iframe');\nf.onload = () => { const bottom = s => Math.round(f.contentDocument.querySelector(s).getBoundingClientRect().bottom); document.title = 'measured ' + ['h1', '.first .caution summary', '.first', '.lane .plot'].map(bottom).join(' ') + ' end'; };\n</script>",
        )
        .unwrap();
        let output = browser()
            .unwrap()
            .args(["--allow-file-access-from-files", "--virtual-time-budget=5000", "--dump-dom"])
            .arg(format!("file://{}", measuring.display()))
            .output()
            .unwrap();
        let dom = String::from_utf8_lossy(&output.stdout);
        let places = dom.split("<title>measured ").nth(1).unwrap_or_else(|| panic!("{dom}"));
        let places = places.split(" end").next().unwrap().split(' ');
        let places: Vec<i32> = places.map(|place| place.parse().unwrap()).collect();
        println!("{places:?}");
        assert!(places.is_sorted() && places[3] <= 844, "{places:?}");
    }
}

/// The lanes call a node as the headline does.
#[test]
fn lanes_and_headline_use_the_same_words() {
    let folder = tempfile::tempdir().unwrap();
    lostnode()
        .args(["report", "--out"])
        .args([folder.path(), &own("samples/van-door.log.gz")])
        .output()
        .unwrap();
    let text = fs::read_to_string(folder.path().join("report.html")).unwrap();
    assert!(text.contains("<h1>The module that sends 0x3B0"));
    assert!(text.contains("<span>the module that sends 0x3B0</span>"));
    assert!(!text.contains("node of 0x"), "{text}");
}

/// The script does what it is for: ticks that stay after a reload, tables that sort, lanes that
/// zoom, in a page around it that clicks.
#[test]
fn the_script_adds_what_paper_cannot() {
    let Some(mut browser) = browser() else { return };
    let folder = tempfile::tempdir().unwrap();
    page(folder.path());
    let clicking = folder.path().join("click.html");
    fs::write(
        &clicking,
        "<body><iframe src='report.html' style='width:900px;height:900px'></iframe><script>\nconst f = document.querySelector('iframe'); let round = 0; const out = [];\nf.onload = () => {\n  const d = f.contentDocument; const boxes = d.querySelectorAll('.tests input');\n  if (round++ == 0) {\n    boxes[1].click();\n    const rows = () => [...d.querySelectorAll('#outages ~ table tbody tr')].map(r => parseFloat(r.cells[1].dataset.v));\n    const b = d.querySelectorAll('#outages ~ table th button')[1];\n    b.click(); const up = rows(); b.click(); const down = rows();\n    out.push('sorted:' + (up.length > 1 && up[0] < up[1] && down[0] > down[1]));\n    const lane = d.querySelector('.lane .plot'); const ticks = () => d.querySelector('.ticks').textContent;\n    const before = ticks(); d.querySelector('[aria-label=\"zoom in\"]').click();\n    out.push('zoomed:' + (lane.getAttribute('viewBox') == '250 0 500 20' && ticks() != before));\n    d.querySelector('[aria-label=\"show all\"]').click();\n    out.push('back:' + (lane.getAttribute('viewBox') == '0 0 1000 20' && ticks() == before));\n    f.contentWindow.location.reload();\n  } else { out.push('kept:' + [...boxes].map(b => b.checked ? 1 : 0).join('')); document.title = 'clicked ' + out.join(' '); }\n};\n</script>",
    )
    .unwrap();
    let output = browser
        .args(["--allow-file-access-from-files", "--virtual-time-budget=8000", "--dump-dom"])
        .arg(format!("--user-data-dir={}", folder.path().join("profile").display()))
        .arg(format!("file://{}", clicking.display()))
        .output()
        .unwrap();
    let dom = String::from_utf8_lossy(&output.stdout);
    let title = dom.split("<title>clicked ").nth(1).unwrap_or_else(|| panic!("{dom}"));
    let title = title.split("</title>").next().unwrap();
    assert!(title.starts_with("sorted:true zoomed:true back:true kept:01"), "{title}");
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
        common::skip("browser", "there is no pdftotext");
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
