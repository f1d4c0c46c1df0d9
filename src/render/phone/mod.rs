//! The page of `watch --serve`: one file that needs nothing but the connection it came by.

use super::style::sheet;

/// The style sheet, but for the palette.
const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// The page. Its script and its style sheet carry `nonce`, a word that nobody can foresee.
pub fn page(nonce: &str) -> String {
    let (light, dark) = (sheet(false), sheet(true));
    let style = format!(
        ":root {{ {light} }}\n@media (prefers-color-scheme: dark) {{ :root {{ {dark} }} }}\n{STYLE}"
    );
    // Nothing from the vehicle or from a user stands in it: that comes later, as text.
    include_str!("page.html")
        .replace("NONCE", nonce)
        .replace("/* STYLE */", &style)
        .replace("/* SCRIPT */", SCRIPT)
}

/// What the page may do: run what carries `nonce`, and talk to where it came from.
pub fn policy(nonce: &str) -> String {
    format!(
        "default-src 'none'; script-src 'nonce-{nonce}'; style-src 'nonce-{nonce}'; \
         connect-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; \
         frame-ancestors 'none'"
    )
}
