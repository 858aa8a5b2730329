//! A phasor picture as an SVG fragment: voltages as solid arrows, currents as dashed ones, every arrow with its name.
//!
//! Line style and name carry the meaning; colour only helps. Must never draw a value that is not given: what has no angle is
//! left to the caller's words.

use std::fmt::Write;

/// One arrow.
#[derive(Debug, Clone, PartialEq)]
pub struct Arrow {
    /// "V1", "I2".
    pub label: String,
    /// Length against the longest of its kind, 0..=1.
    pub length: f64,
    /// Counter-clockwise from the right, degrees.
    pub angle_deg: f64,
    /// A current: dashed, in the second colour, and drawn shorter than the voltages.
    pub current: bool,
    /// Channel, 0..=2: picks the pattern of a dashed line, so that lines are told apart in a copy.
    pub channel: usize,
}

const SIZE: f64 = 240.0;
const CENTRE: f64 = SIZE / 2.0;
const VOLTAGE_RADIUS: f64 = 92.0;
const CURRENT_RADIUS: f64 = 66.0;
const VOLTAGE_COLOUR: &str = "#0b3d91";
const CURRENT_COLOUR: &str = "#a8320a";
const DASHES: [&str; 3] = ["9 3", "5 3", "2 3"];

/// The picture; `title` is what a screen reader says.
pub fn picture(title: &str, arrows: &[Arrow]) -> String {
    let mut out =
        format!("<svg class=\"phasor\" viewBox=\"0 0 {SIZE} {SIZE}\" role=\"img\" aria-label=\"{}\">\n", escape(title));
    let _ = writeln!(
        out,
        "<g fill=\"none\" stroke=\"#bbb\" stroke-width=\"0.7\"><circle cx=\"{CENTRE}\" cy=\"{CENTRE}\" r=\"{VOLTAGE_RADIUS}\"/>\
         <path d=\"M{} {CENTRE}H{}M{CENTRE} {}V{}\"/></g>",
        CENTRE - VOLTAGE_RADIUS,
        CENTRE + VOLTAGE_RADIUS,
        CENTRE - VOLTAGE_RADIUS,
        CENTRE + VOLTAGE_RADIUS
    );
    let mut labels: Vec<(f64, f64)> = Vec::new();
    // Voltages first, so that the shorter currents lie on top of them.
    for current in [false, true] {
        for arrow in arrows.iter().filter(|a| a.current == current) {
            draw(&mut out, arrow, &mut labels);
        }
    }
    out.push_str("</svg>\n");
    out
}

fn draw(out: &mut String, arrow: &Arrow, labels: &mut Vec<(f64, f64)>) {
    let full = if arrow.current { CURRENT_RADIUS } else { VOLTAGE_RADIUS };
    let radius = full * arrow.length.clamp(0.0, 1.0);
    let (sin, cos) = arrow.angle_deg.to_radians().sin_cos();
    let at = |along: f64, across: f64| (CENTRE + along * cos - across * sin, CENTRE - along * sin - across * cos);
    let (colour, width, dash) = if arrow.current {
        (CURRENT_COLOUR, 2.4, format!(" stroke-dasharray=\"{}\"", DASHES[arrow.channel % 3]))
    } else {
        (VOLTAGE_COLOUR, 1.6, String::new())
    };
    let head = 8.0f64.min(radius);
    let (x, y) = at(radius - head, 0.0);
    let _ = writeln!(
        out,
        "<path d=\"M{CENTRE} {CENTRE}L{x:.1} {y:.1}\" stroke=\"{colour}\" stroke-width=\"{width}\" fill=\"none\"{dash}/>"
    );
    let [(ax, ay), (bx, by), (cx, cy)] = [at(radius, 0.0), at(radius - head, 3.6), at(radius - head, -3.6)];
    // Open heads for currents, filled ones for voltages.
    let fill = if arrow.current { "#fff" } else { colour };
    let _ = writeln!(
        out,
        "<path d=\"M{ax:.1} {ay:.1}L{bx:.1} {by:.1}L{cx:.1} {cy:.1}Z\" fill=\"{fill}\" stroke=\"{colour}\" \
         stroke-width=\"1.3\"/>"
    );
    let (x, y) = free_place(&at, radius, labels);
    labels.push((x, y));
    let _ = writeln!(out, "<text x=\"{x:.1}\" y=\"{:.1}\" fill=\"{colour}\">{}</text>", y + 4.0, escape(&arrow.label));
}

/// A place near the tip that no other label has taken; far enough from all for the last resort to be readable still.
fn free_place(at: &impl Fn(f64, f64) -> (f64, f64), radius: f64, taken: &[(f64, f64)]) -> (f64, f64) {
    let places = [(13.0, 0.0), (9.0, 15.0), (9.0, -15.0), (-6.0, 17.0), (-6.0, -17.0), (29.0, 0.0), (-22.0, 15.0)];
    let inside = |v: f64| (9.0..=SIZE - 9.0).contains(&v);
    places
        .into_iter()
        .map(|(along, across)| at(radius + along, across))
        .find(|(x, y)| {
            inside(*x) && inside(*y) && taken.iter().all(|(tx, ty)| (x - tx).abs() > 17.0 || (y - ty).abs() > 13.0)
        })
        .unwrap_or_else(|| at(radius + 13.0, 0.0))
}

/// Text for HTML and its attributes.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn arrow(label: &str, angle_deg: f64, current: bool, channel: usize) -> Arrow {
        Arrow { label: label.to_owned(), length: 1.0, angle_deg, current, channel }
    }

    #[test]
    fn a_quarter_turn_points_up() {
        let svg = picture("t", &[arrow("V1", 90.0, false, 0)]);
        assert!(svg.contains("M120.0 28.0L"), "{svg}");
    }

    #[test]
    fn currents_are_dashed_each_in_its_way_and_voltages_are_not() {
        let svg =
            picture("t", &[arrow("V1", 0.0, false, 0), arrow("I1", -30.0, true, 0), arrow("I2", -150.0, true, 1)]);
        assert_eq!(svg.matches("stroke-dasharray").count(), 2);
        assert!(svg.contains(DASHES[0]) && svg.contains(DASHES[1]));
    }

    #[test]
    fn labels_at_one_angle_do_not_lie_on_each_other() {
        let arrows: Vec<Arrow> = (0..3).map(|k| arrow(&format!("I{}", k + 1), -33.0, true, k)).collect();
        let svg = picture("t", &arrows);
        let places: std::collections::HashSet<&str> =
            svg.lines().filter(|l| l.starts_with("<text")).map(|l| l.split(" fill").next().unwrap()).collect();
        assert_eq!(places.len(), 3);
    }

    #[test]
    fn names_cannot_leave_their_place() {
        assert_eq!(escape("<b a=\"1\">&'"), "&lt;b a=&quot;1&quot;&gt;&amp;&#39;");
    }
}
