//! The page: every address in it leads somewhere, nothing in it needs a hole in its policy, its words
//! are those of the record, and its colours can be read.

#![allow(clippy::unwrap_used, reason = "a test says by panicking")]

mod bench;

use std::collections::{BTreeMap, BTreeSet};

use axum::http::{Request, StatusCode, header};
use bench::{Bench, ask, body};
use zonda_lines::LineState;
use zonda_model::Cause;

/// The files of the page, by their addresses: the page itself and everything it leads to.
struct Site {
    files: BTreeMap<String, String>,
    /// Addresses that the page names and that are no files of it.
    other: BTreeSet<String>,
}

impl Site {
    async fn crawl(bench: &Bench) -> Self {
        let mut site = Self {
            files: BTreeMap::new(),
            other: BTreeSet::new(),
        };
        let mut waiting = vec!["/".to_owned()];
        while let Some(address) = waiting.pop() {
            if site.files.contains_key(&address) || site.other.contains(&address) {
                continue;
            }
            let response = bench.get(&address).await;
            assert_eq!(response.status(), StatusCode::OK, "{address}");
            let kind = response.headers()[header::CONTENT_TYPE].to_str().unwrap();
            let expected = match address.rsplit_once('.').map_or("html", |(_, end)| end) {
                "html" => "text/html; charset=utf-8",
                "js" => "text/javascript; charset=utf-8",
                "css" => "text/css; charset=utf-8",
                "svg" => "image/svg+xml",
                _ => {
                    site.other.insert(address);
                    continue;
                }
            };
            if address.starts_with("/api/") || address == "/metrics" {
                site.other.insert(address);
                continue;
            }
            assert_eq!(kind, expected, "{address}");
            let text = String::from_utf8(body(response).await.to_vec()).unwrap();
            waiting.extend(leads(&text));
            site.files.insert(address, text);
        }
        site
    }

    fn scripts(&self) -> String {
        let scripts = self.files.iter().filter(|(address, _)| is(address, "js"));
        scripts.map(|(_, text)| text.as_str()).collect()
    }
}

fn is(address: &str, ending: &str) -> bool {
    address
        .rsplit_once('.')
        .is_some_and(|(_, end)| end == ending)
}

/// What stands between `open` and `close`, wherever that is.
fn between<'a>(text: &'a str, open: &str, close: char) -> Vec<&'a str> {
    let parts = text.split(open).skip(1);
    parts.filter_map(|part| part.split(close).next()).collect()
}

/// The addresses that a file names: links, scripts, styles, modules.
fn leads(text: &str) -> Vec<String> {
    let links = ["href=\"", "src=\""]
        .map(|open| between(text, open, '"'))
        .concat();
    let modules = ["from './", "import './", "import('./"]
        .map(|open| between(text, open, '\''))
        .concat();
    let modules = modules
        .into_iter()
        .filter(|name| is(name, "js"))
        .map(|name| format!("/{name}"));
    let links = links.into_iter().filter(|link| !link.starts_with('#'));
    links
        .map(|link| link.replace("&amp;", "&"))
        .chain(modules)
        .collect()
}

#[tokio::test]
async fn every_address_on_the_page_leads_somewhere() {
    let bench = Bench::new().await;
    bench.record(5).await;
    let site = Site::crawl(&bench).await;
    let modules = site
        .files
        .keys()
        .filter(|address| is(address, "js"))
        .count();
    assert!(modules >= 8, "the crawl found {modules} modules only");
    for address in ["/style.css", "/icon.svg"] {
        assert!(site.files.contains_key(address), "{address}");
    }
    let exports = site
        .other
        .iter()
        .filter(|it| it.starts_with("/api/v1/export?"));
    assert_eq!(exports.count(), 6, "{:?}", site.other);
}

/// With `default-src 'self'` an inline script or style does not run, and a page that needs one fails
/// in silence. And what is put together as HTML could carry a name that somebody chose.
#[tokio::test]
async fn nothing_on_the_page_needs_a_hole_in_its_policy() {
    let bench = Bench::new().await;
    let site = Site::crawl(&bench).await;
    let html = &site.files["/"];
    for tag in between(html, "<script", '>') {
        assert!(tag.contains("src=\"/"), "an inline script: {tag}");
    }
    for inline in [
        "<style",
        " style=",
        "javascript:",
        " onclick=",
        " onload=",
        " onerror=",
    ] {
        assert!(!html.contains(inline), "the page has {inline}");
    }
    let scripts = site.scripts();
    for unsafe_way in [
        "innerHTML",
        "outerHTML",
        "insertAdjacentHTML",
        "document.write",
        "eval(",
        "new Function",
        "'style'",
    ] {
        assert!(!scripts.contains(unsafe_way), "a script uses {unsafe_way}");
    }
    for (address, text) in &site.files {
        let text = text.replace("http://www.w3.org/2000/svg", "");
        for elsewhere in ["http://", "https://", "url(//", "src=\"//", "@import"] {
            assert!(!text.contains(elsewhere), "{address} leads to {elsewhere}…");
        }
    }
}

#[tokio::test]
async fn what_the_scripts_ask_for_exists() {
    let bench = Bench::new().await;
    let site = Site::crawl(&bench).await;
    let (html, scripts) = (&site.files["/"], site.scripts());
    let ids = between(html, " id=\"", '"');
    let unique: BTreeSet<_> = ids.iter().copied().collect();
    assert_eq!(ids.len(), unique.len(), "an id stands twice");
    for id in between(&scripts, "$('", '\'') {
        assert!(unique.contains(id), "a script asks for #{id}");
    }
    let named = ["aria-labelledby=\"", "aria-describedby=\"", "href=\"#"]
        .map(|open| between(html, open, '"'))
        .concat();
    for id in named.into_iter().flat_map(str::split_whitespace) {
        assert!(unique.contains(id), "nothing has the id {id}");
    }
    let description = bench.json("/openapi.json").await;
    let described = description["paths"].as_object().unwrap();
    let described: BTreeSet<_> = described.keys().map(|path| nameless(path, "{")).collect();
    let asked = [("'/api", '\''), ("`/api", '`')]
        .map(|(open, close)| between(&scripts, open, close))
        .concat();
    assert!(asked.len() >= 4, "{asked:?}");
    for rest in asked {
        let path = rest.split('?').next().unwrap();
        let path = nameless(&format!("/api{path}"), "${");
        assert!(described.contains(&path), "the API has no {path}");
    }
}

/// A path with `{}` for what varies in it, which begins with `open` there.
fn nameless(path: &str, open: &str) -> String {
    let mut parts = path.split(open);
    let first = parts.next().unwrap_or_default().to_owned();
    parts.fold(first, |made, part| {
        made + "{}" + part.split_once('}').map_or("", |(_, rest)| rest)
    })
}

#[tokio::test]
async fn the_page_has_words_for_every_word_of_the_record() {
    let bench = Bench::new().await;
    let hello = bench.events("").await.next().await.unwrap().data;
    let words = String::from_utf8(body(bench.get("/words.js").await).await.to_vec()).unwrap();
    let keys = |table: &str| {
        let (_, rest) = words.split_once(&format!("const {table} = ")).unwrap();
        let (lines, _) = rest.split_once("\n})").unwrap();
        let keys = lines
            .lines()
            .skip(1)
            .filter_map(|line| line.split(':').next());
        keys.map(|key| key.trim().to_owned())
            .collect::<BTreeSet<_>>()
    };
    let marks = hello["quality"].as_array().unwrap();
    assert_eq!(
        keys("QUALITY"),
        marks
            .iter()
            .map(|mark| mark.as_str().unwrap().to_owned())
            .collect()
    );
    assert_eq!(
        keys("CAUSE"),
        Cause::ALL.map(|cause| cause.word().to_owned()).into()
    );
    let states = [
        LineState::Waiting,
        LineState::Open,
        LineState::Answering,
        LineState::Partly,
        LineState::Silent,
        LineState::Stopped,
    ];
    assert_eq!(
        keys("LINE"),
        states.map(|state| state.word().to_owned()).into()
    );
}

/// What the modules name of an answer is something that the API describes. That its parts are the same is looked at by
/// `the_types_are_those_of_the_description`, which needs Node.
#[tokio::test]
async fn the_types_of_the_page_are_those_of_the_api() {
    let bench = Bench::new().await;
    let description = bench.json("/openapi.json").await;
    let types = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/page/types.d.ts"));
    let types = types.unwrap();
    let named: Vec<_> = types
        .split("Of<'")
        .skip(1)
        .filter_map(|rest| rest.split_once("'>"))
        .map(|(name, _)| name)
        .collect();
    assert!(named.len() > 20, "{named:?}");
    for name in named {
        let schema = &description["components"]["schemas"][name];
        assert!(schema.is_object(), "the API describes no {name}");
    }
    // And each address answers what the modules take it to answer.
    let addresses: Vec<_> = types
        .lines()
        .filter_map(|line| line.trim().strip_prefix('\'')?.split_once("': Of<'"))
        .filter_map(|(path, name)| Some((path, name.strip_suffix("'>")?)))
        .collect();
    assert!(addresses.len() > 10, "{addresses:?}");
    for (path, name) in addresses {
        let answer = &description["paths"][path]["get"]["responses"]["200"];
        let schema = &answer["content"]["application/json"]["schema"]["$ref"];
        assert_eq!(schema, &format!("#/components/schemas/{name}"), "{path}");
    }
}

#[tokio::test]
async fn a_file_that_is_known_is_not_sent_again() {
    let bench = Bench::new().await;
    let first = bench.get("/main.js").await;
    let tag = first.headers()[header::ETAG].clone();
    assert_eq!(first.headers()[header::CACHE_CONTROL], "no-cache");
    let again = Request::get("/main.js").header(header::IF_NONE_MATCH, tag);
    let again = ask(bench.app.router(), again).await;
    assert_eq!(again.status(), StatusCode::NOT_MODIFIED);
    assert!(body(again).await.is_empty());
    let other = Request::get("/main.js").header(header::IF_NONE_MATCH, "\"0\"");
    assert_eq!(
        ask(bench.app.router(), other).await.status(),
        StatusCode::OK
    );
    for secret in [
        "/types.d.ts",
        "/.gitignore",
        "/../src/lib.rs",
        "/page/index.html",
    ] {
        assert_eq!(
            bench.get(secret).await.status(),
            StatusCode::NOT_FOUND,
            "{secret}"
        );
    }
}

/// WCAG 2.2, success criteria 1.4.3 (text 4.5 : 1) and 1.4.11 (graphics 3 : 1), by its definition of
/// relative luminance.
#[tokio::test]
async fn every_colour_can_be_read_on_its_ground() {
    let bench = Bench::new().await;
    let css = String::from_utf8(body(bench.get("/style.css").await).await.to_vec()).unwrap();
    let light = colours(between(&css, ":root {", '}')[0]);
    let dark = colours(between(&css, ":root[data-theme=dark] {", '}')[0]);
    let by_device = colours(between(&css, ":root:not([data-theme=light]) {", '}')[0]);
    assert_eq!(
        dark, by_device,
        "dark by choice and dark by the device differ"
    );
    assert_eq!(
        light.keys().collect::<Vec<_>>(),
        dark.keys().collect::<Vec<_>>()
    );
    let text = [
        ("ink", "paper"),
        ("soft", "paper"),
        ("accent", "paper"),
        ("mind", "paper"),
        ("bad", "paper"),
        ("ink", "accent-wash"),
        ("accent", "accent-wash"),
        ("ink", "bad-wash"),
        ("bad", "bad-wash"),
        ("soft", "bad-wash"),
        ("ink", "tag"),
        ("soft", "tag"),
        ("mind", "tag"),
        ("bad", "tag"),
        ("paper", "accent"),
        ("paper", "bad-edge"),
    ];
    let graphics = [
        ("edge", "paper"),
        ("trace", "paper"),
        ("trace", "band"),
        ("mind-edge", "paper"),
        ("bad-edge", "paper"),
        ("edge", "bad-wash"),
    ];
    let lines = ["line-0", "line-1", "line-2", "line-3", "line-4", "line-5"];
    for (theme, colours) in [("light", light), ("dark", dark)] {
        let lines = lines.map(|line| (line, "paper"));
        for (pairs, least) in [(&text[..], 4.5), (&graphics[..], 3.0), (&lines[..], 4.5)] {
            for (front, ground) in pairs {
                let ratio = contrast(colours[*front], colours[*ground]);
                assert!(
                    ratio >= least,
                    "{theme}: {front} on {ground} is {ratio:.2} : 1, less than {least}"
                );
            }
        }
    }
}

/// The examples that come with the definition: black on white is 21 : 1, a colour on itself 1 : 1.
#[test]
fn contrast_is_that_of_the_definition() {
    let (black, white) = ([0, 0, 0], [255, 255, 255]);
    assert!((contrast(black, white) - 21.0).abs() < 1e-9);
    assert!((contrast(white, white) - 1.0).abs() < 1e-9);
    assert!(
        (contrast([0x76, 0x76, 0x76], white) - 4.54).abs() < 0.005,
        "the lightest grey that passes on white"
    );
}

type Rgb = [u8; 3];

fn colours(block: &str) -> BTreeMap<String, Rgb> {
    let named = block
        .split(';')
        .filter_map(|line| line.trim().strip_prefix("--")?.split_once(": #"));
    let byte = |hex: &str, at: usize| u8::from_str_radix(&hex[at..at + 2], 16).unwrap();
    named
        .map(|(name, hex)| (name.to_owned(), [byte(hex, 0), byte(hex, 2), byte(hex, 4)]))
        .collect()
}

fn contrast(one: Rgb, other: Rgb) -> f64 {
    let (one, other) = (luminance(one), luminance(other));
    (one.max(other) + 0.05) / (one.min(other) + 0.05)
}

fn luminance(colour: Rgb) -> f64 {
    let linear = colour.map(|byte| {
        let share = f64::from(byte) / 255.0;
        if share <= 0.04045 {
            share / 12.92
        } else {
            ((share + 0.055) / 1.055).powf(2.4)
        }
    });
    0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
}
