//! The page of `watch --serve` in a browser.

#[path = "phone/browser.rs"]
mod browser;
mod common;
#[path = "phone/vehicle.rs"]
#[allow(dead_code)] // the other tests of the page use the rest
mod vehicle;

use std::thread;
use std::time::Duration;

use browser::Browser;
use vehicle::{Vehicle, until};

const SILENT: &str = "document.body.classList.contains('some')";
const STALE: &str = "document.body.classList.contains('stale')";
/// How many tones there were, the one that says that sound is on included.
const TONES: &str = "Number((document.body.dataset.sounded || '0 0').split(' ')[1])";

#[track_caller]
fn shows(browser: &mut Browser, id: &str, text: &str) -> Duration {
    let wanted = format!("{id} shows {text}");
    until(60, &wanted, || browser.text(id).contains(text))
}

/// Two phones; one is switched off, the other one is offline for ten seconds while the door comes
/// and goes. The recording does not notice.
#[test]
fn phones_come_and_go() {
    let (Some(mut stays), Some(mut goes)) = (Browser::start(), Browser::start()) else { return };
    let vehicle = Vehicle::start(&["--serve"]);
    for browser in [&mut stays, &mut goes] {
        browser.as_phone(390, false);
        browser.open(&vehicle.link);
        shows(browser, "all", "All 4 are heard");
        shows(browser, "link", "connected");
        shows(browser, "sound", "tap to switch it on");
    }
    stays.script("document.getElementById('sound').click()");
    shows(&mut stays, "sound", "Sound is on");
    assert_eq!(stays.script(TONES), 1);

    vehicle.door(false);
    let took = shows(&mut stays, "silent", "door");
    println!("a page shows it {took:?} after the last frame, time-out 0.5 s");
    shows(&mut goes, "silent", "doorsilent for");
    assert!(stays.text("news").contains("door (can0) is silent"));
    until(60, "a tone", || stays.script("document.body.dataset.sounded") == "lost 2");
    assert!(goes.script("document.body.dataset.sounded").is_null(), "without a tap no sound");

    goes.kill();
    stays.offline(true);
    until(60, "without connection", || stays.is(STALE));
    assert!(stays.text("link").starts_with("No connection since "), "{}", stays.text("link"));
    assert!(stays.text("silent").contains("was silent for"));
    let length = stays.text("silent");
    vehicle.door(true);
    thread::sleep(Duration::from_secs(5));
    assert_eq!(stays.text("silent"), length, "nothing is known meanwhile");
    stays.script("document.querySelector('.numbers button').click()");
    shows(&mut stays, "noted", "Not noted: no connection");
    thread::sleep(Duration::from_secs(5));
    stays.offline(false);
    let took = until(60, "connected again", || !stays.is(STALE));
    println!("connected again {took:?} after the network is back");
    shows(&mut stays, "all", "All 4 are heard");
    assert!(!stays.is(SILENT));
    assert!(stays.text("news").contains("door (can0) is back"), "what was missed is told");
    until(60, "a tone", || stays.script("document.body.dataset.sounded") == "back 3");

    stays.script("document.querySelector('.numbers button').click()");
    shows(&mut stays, "noted", "Noted at");
    until(60, "the mark", || vehicle.events("mark").len() == 1);
    assert_eq!(vehicle.events("mark")[0]["text"], "1");
    for said in &stays.console {
        assert!(said.contains("ERR_INTERNET_DISCONNECTED"), "{said}");
    }
    vehicle.end();
    shows(&mut stays, "link", "The recording has ended");
}

/// What a mark or a name says is text; nothing foreign is loaded or run; the page fits a phone.
#[test]
fn the_page_runs_nothing_but_its_own() {
    let Some(mut browser) = Browser::start() else { return };
    let vehicle = Vehicle::start(&["--serve"]);
    browser.as_phone(390, false);
    browser.open(&vehicle.link);
    shows(&mut browser, "all", "All 4 are heard");
    let markup =
        "<img src=x onerror=\"document.title='run'\"><script>document.title='run'</script>";
    browser.script(&format!(
        "document.getElementById('text').value = {}; document.querySelector('form').requestSubmit()",
        serde_json::json!(markup)
    ));
    shows(&mut browser, "news", "onerror");
    assert_eq!(browser.script("document.querySelectorAll('#news img, #news script').length"), 0);
    let blocked = browser.script(
        "new Promise(done => {
           const all = [];
           document.addEventListener('securitypolicyviolation', event => {
             all.push(event.effectiveDirective);
             if (all.length === 5) done(all.sort().join(' '));
           });
           setTimeout(() => done(all.sort().join(' ')), 5000);
           fetch('http://127.0.0.2:9/').catch(() => {});
           const add = (name, fields) => document.body.append(
             Object.assign(document.createElement(name), fields));
           add('script', { textContent: 'document.title = \"run\"' });
           add('img', { src: 'http://127.0.0.2:9/x.png' });
           add('iframe', { src: 'http://127.0.0.2:9/' });
           add('style', { textContent: 'body { display: none }' });
         })",
    );
    assert_eq!(blocked, "connect-src frame-src img-src script-src-elem style-src-elem");
    assert_ne!(browser.script("document.title"), "run");
    for width in [320, 390, 1000] {
        for dark in [false, true] {
            browser.as_phone(width, dark);
            let wide = browser.script("document.documentElement.scrollWidth");
            assert!(wide.as_u64().unwrap() <= u64::from(width), "{wide} of {width}");
            let paper = "getComputedStyle(document.body).backgroundColor";
            let white = browser.script(paper) == "rgb(255, 255, 255)";
            assert_eq!(white, !dark);
        }
    }
    for reduced in [true, false] {
        browser.motion(reduced);
        let name = browser.script(
            "(() => { const own = document.querySelector('.tile'); own.classList.add('new');
               const name = getComputedStyle(own).animationName; own.classList.remove('new');
               return name; })()",
        );
        assert_eq!(name == "none", reduced, "{name}");
    }
    vehicle.end();
}
