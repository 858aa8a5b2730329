//! The field sheet as one self-contained HTML page for Letter or A4. Every text from outside is escaped.
//!
//! Must never leave the cautions out, nor let colour alone carry a meaning.

use std::fmt::Write;

use super::findings_format::{HOW_TO_ENTER, entry_words};
use super::phasor_svg::{escape, picture};
use super::picture::{Phasor, Picture};
use super::sheet::Sheet;

const STYLE: &str = include_str!("sheet.css");

/// The sheet as a page.
pub fn html(sheet: &Sheet) -> String {
    let title = escape(&sheet.title);
    let mut out = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" \
         content=\"width=device-width\">\n<title>Field sheet: {title}</title>\n<style>\n{STYLE}</style>\n</head>\n<body{}>\n\
         <header><h1>{title}</h1><p>Field sheet</p></header>\n<p class=\"origin\">{}</p>\n",
        if is_long(sheet) { " class=\"dense\"" } else { "" },
        sheet.origin.iter().map(|l| escape(l)).collect::<Vec<_>>().join(" &middot; ")
    );
    if let Some(warning) = &sheet.warning {
        let _ = writeln!(out, "<p class=\"warning\">{}</p>", escape(warning));
    }
    for hazard in &sheet.hazards {
        let _ = writeln!(out, "<p class=\"warning\">HAZARD: {}</p>", escape(hazard));
    }
    out.push_str("<section class=\"cautions\">\n<h2>Caution: read this before touching anything</h2>\n<ol>\n");
    for caution in &sheet.cautions {
        let _ = writeln!(out, "<li>{}</li>", escape(caution));
    }
    out.push_str("</ol>\n</section>\n");
    let _ = writeln!(
        out,
        "<section>\n<h2>Verdict: {}</h2>\n<p class=\"suspicion\">{}</p>",
        escape(&sheet.verdict),
        escape(&sheet.suspicion)
    );
    if !sheet.leads.is_empty() {
        let _ = writeln!(out, "<p>{}.</p>", escape(&sheet.leads.join("; ")));
    }
    items(&mut out, "Why", &sheet.reasons);
    items(&mut out, sheet.alternatives_title, &sheet.alternatives);
    items(&mut out, "Found at the panel already", &sheet.found);
    out.push_str("</section>\n<section class=\"pictures\">\n");
    figure(&mut out, "As reported", &sheet.reported, sheet.channels);
    figure(&mut out, "As it should be", &sheet.intended, sheet.channels);
    out.push_str(
        "<p class=\"key\"><b>V</b> solid line, filled head: voltage lead. <b>I</b> dashed line, open head: CT channel. \
         Angles run counter-clockwise from V1 at the right; a motor's current stands a little clockwise of its own \
         voltage. <b>?</b> one of two possible angles.</p>\n</section>\n",
    );
    checks(&mut out, sheet);
    remedy(&mut out, sheet);
    out.push_str("<footer>\n");
    for who in ["Work done by", "Checked by"] {
        let _ = writeln!(out, "<p><span>{who}</span><span>Date</span><span>Signature</span></p>");
    }
    out.push_str("</footer>\n</body>\n</html>\n");
    out
}

/// True for a sheet that fits one page only in small print: lines it takes, long items counted twice.
fn is_long(sheet: &Sheet) -> bool {
    let lines = |items: &[String]| items.iter().map(|i| 1 + i.len() / 110).sum::<usize>();
    let told = [&sheet.leads, &sheet.reasons, &sheet.alternatives, &sheet.found, &sheet.hazards];
    told.into_iter().map(|items| lines(items)).sum::<usize>() + 4 * sheet.checks.len() + sheet.entry_example.len() > 21
}

/// The remedy: a procedure has pages of its own, so that it is taken along whole.
fn remedy(out: &mut String, sheet: &Sheet) {
    let class = if sheet.remedy.iter().any(|part| part.ticked) { " class=\"procedure\"" } else { "" };
    let _ = writeln!(out, "<section{class}>\n<h2>{}</h2>", escape(&sheet.remedy_title));
    let mut step = 1;
    for part in &sheet.remedy {
        if !part.title.is_empty() {
            let _ = writeln!(out, "<h3>{}</h3>", escape(part.title));
        }
        if part.ticked {
            let _ = writeln!(out, "<ol class=\"steps\" start=\"{step}\">");
            for line in &part.lines {
                let _ = writeln!(out, "<li><span class=\"tick\"></span>{}</li>", escape(line));
            }
            out.push_str("</ol>\n");
            step += part.lines.len();
        } else {
            for line in &part.lines {
                let _ = writeln!(out, "<p>{}</p>", escape(line));
            }
        }
    }
    out.push_str("</section>\n");
}

fn items(out: &mut String, title: &str, items: &[String]) {
    if items.is_empty() {
        return;
    }
    let _ = writeln!(out, "<h3>{title}</h3>");
    out.push_str("<ul>\n");
    for item in items {
        let _ = writeln!(out, "<li>{}</li>", escape(item));
    }
    out.push_str("</ul>\n");
}

fn figure(out: &mut String, title: &str, shown: &Picture, channels: &[usize]) {
    let _ = write!(out, "<figure>\n<figcaption>{title}</figcaption>\n{}", picture(title, &shown.arrows()));
    let sizes = |letter: &str, unit: &str, phasors: &[Phasor; 3]| {
        let of = |k: usize| match phasors[k].size {
            Some(size) => format!("{letter}{} {size:.1} {unit}", k + 1),
            None => format!("{letter}{} no value", k + 1),
        };
        channels.iter().map(|k| of(*k)).collect::<Vec<_>>().join(", ")
    };
    let _ = writeln!(out, "<p>{}<br>{}</p>", sizes("V", "V", &shown.voltage), sizes("I", "A", &shown.current));
    if !shown.note.is_empty() {
        let _ = writeln!(out, "<p class=\"note\">{}.</p>", escape(&shown.note));
    }
    out.push_str("</figure>\n");
}

fn checks(out: &mut String, sheet: &Sheet) {
    let _ = writeln!(out, "<section>\n<h2>{}</h2>", escape(sheet.checks_title));
    if !sheet.checks.is_empty() {
        out.push_str(
            "<table>\n<tr><th></th><th>Check</th><th>If the suspicion is right</th><th class=\"box\">Found</th></tr>\n",
        );
    }
    for (n, check) in sheet.checks.iter().enumerate() {
        let worth = if check.worth.is_empty() { String::new() } else { format!(" <i>({})</i>", escape(&check.worth)) };
        let _ = writeln!(
            out,
            "<tr{}><td>{}</td><td>{}{worth}<br><small>Enter as: {}</small></td><td>{}</td><td class=\"box\">{}</td></tr>",
            if check.live { " class=\"live\"" } else { "" },
            n + 1,
            escape(&check.instruction),
            escape(&entry_words(check.check)),
            escape(&check.expected),
            check.unit
        );
    }
    if !sheet.checks.is_empty() {
        out.push_str("</table>\n");
    }
    if !sheet.entry_example.is_empty() {
        let lines: Vec<String> = sheet.entry_example.iter().map(|line| escape(line)).collect();
        let _ = writeln!(out, "<p class=\"note\">{HOW_TO_ENTER}</p>\n<pre>{}</pre>", lines.join("\n"));
    }
    out.push_str("</section>\n");
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::context::ServiceKind;
    use crate::audit::hypotheses::classes;
    use crate::faces::picture::Expected;
    use crate::faces::sheet::sheet;
    use crate::reading::Rotation;
    use crate::station::fixtures::{exchanged, instant, snapshot_after};

    const EXPECTED: Expected =
        Expected { service: ServiceKind::Wye4, rotation: Rotation::Abc, nominal_voltage_v: 480.0 };

    #[test]
    fn the_page_of_a_miswired_pump() {
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        insta::assert_snapshot!(html(&sheet(&snapshot, &snapshot.circuits[0], EXPECTED, instant(7200))));
    }

    #[test]
    fn names_are_escaped() {
        let mut snapshot = snapshot_after("<script>alert('x')</script>", &exchanged()).as_ref().clone();
        snapshot.circuits[0].name = "Pump \"1\" & <b>".to_owned();
        snapshot.monitors[0].address = "<img src=x>".to_owned();
        let page = html(&sheet(&snapshot, &snapshot.circuits[0], EXPECTED, instant(7200)));
        for raw in ["<script", "<img", "& <b>"] {
            assert!(!page.contains(raw), "{raw}");
        }
        assert!(page.contains("Pump &quot;1&quot; &amp; &lt;b&gt;"));
    }

    #[test]
    fn every_wiring_has_a_page_that_loads_nothing_and_closes_what_it_opens() {
        for wiring in classes(ServiceKind::Wye4).all.iter().map(|c| c.members[0].wiring) {
            let snapshot = snapshot_after("Alder Creek Lift", &wiring);
            let page = html(&sheet(&snapshot, &snapshot.circuits[0], EXPECTED, instant(7200)));
            assert!(page.find("Never open a CT secondary").unwrap() < page.find("Verdict: ").unwrap());
            for outside in ["http://", "https://", "url(", "NaN"] {
                assert!(!page.contains(outside), "{outside}");
            }
            for tag in ["section", "ol", "ul", "li", "table", "tr", "td", "svg", "figure", "p", "g", "text"] {
                let opened = page.matches(&format!("<{tag}>")).count() + page.matches(&format!("<{tag} ")).count();
                assert_eq!(opened, page.matches(&format!("</{tag}>")).count(), "{tag}");
            }
        }
    }
}
