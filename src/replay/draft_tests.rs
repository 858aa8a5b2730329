//! Known headings to the drafts they give; any heading to a file that its reader accepts, or to a plain error.

use proptest::prelude::*;

use super::*;
use crate::config::{MapLibrary, parse, parse_columns};
use crate::replay::columns::Columns;

const STATION: &str = r#"
[[stations]]
name = "Alder Creek Lift"
service = "wye-4-wire"
nominal_voltage = "480 V"
[[stations.monitors]]
name = "PM-1"
address = "127.0.0.1:15021"
unit = 1
map = "generic-full"
[[stations.circuits]]
name = "Pump 1"
monitor = "PM-1"
load = "induction-motor"
"#;

fn lines(text: &str) -> Vec<String> {
    text.lines().map(str::to_owned).collect()
}

fn of(file: &str) -> For<'_> {
    For { file, ..For::default() }
}

/// What the reader of columns files makes of a draft, for a station of one circuit.
fn accepted(text: &str) -> Columns {
    let config = parse("stations.toml", STATION, &MapLibrary::builtin()).unwrap();
    parse_columns("draft.toml", text, &config).unwrap_or_else(|problems| panic!("{problems}\n{text}"))
}

#[test]
fn a_historian_export_is_drafted() {
    let text = draft(
        &lines(
            "Timestamp,V1,V2,V3,Ia,Ib,Ic,kW,kW_A,kVAR total,PF,Pump 1 Run,V avg,Wet Well Level,Remark\n\
             2025-11-19 16:43:00,277.1,277.4,276.9,69.1,69.4,68.8,47.9,16.0,29.1,0.86,ON,277.1,3.2,\n\
             2025-11-19 16:43:10,277.2,277.4,Bad,69.0,69.4,68.9,47.8,15.9,29.0,0.86,ON,277.2,3.2,\n",
        ),
        &of("alder.csv"),
    )
    .unwrap();
    accepted(&text);
    insta::assert_snapshot!(text);
}

#[test]
fn units_that_no_name_says_are_taken_from_the_rows() {
    let text = draft(
        &lines("t_ms;V12;V23;V31;I1;I2;I3;P;Q\n0;480,1;480,2;479,9;69,1;69,4;68,8;47,9;29,1\n1000;480,1;480,2;479,9;69,1;69,4;68,8;47,9;29,1\n"),
        &of("alder.csv"),
    )
    .unwrap();
    accepted(&text);
    insta::assert_snapshot!(text);
}

#[test]
fn a_long_table_is_drafted_by_its_tags() {
    let mut table = "Tag,Time,Value\n".to_owned();
    for (tag, value) in
        [("ALDER.PM1.VAN", "277.1"), ("ALDER.PM1.IA", "69"), ("ALDER.PM1.KW_TOT", "47.9"), ("ALDER.LEVEL", "3")]
    {
        for minute in 0..6 {
            table += &format!("{tag},2025-11-19T16:{:02}:{:02}Z,{value}\n", 43 + minute, value.len());
        }
    }
    let text = draft(&lines(&table), &of("alder.csv")).unwrap();
    accepted(&text);
    insta::assert_snapshot!(text);
}

#[test]
fn several_pumps_go_to_the_circuits_of_the_configuration() {
    let table = lines(
        "Time,Vab,Vbc,Vca,P1 Amps A,P1 kW,P1 Run,P2 Amps A,P2 kW,Pump 2 kVA,kWh\n\
         1763588580,480,480,480,69,47.9,1,0,0,0,5\n",
    );
    let circuits = ["P1".to_owned(), "Pump 2".to_owned()];
    let with = For { file: "two.csv", circuits: &circuits, ..For::default() };
    insta::assert_snapshot!("with_configuration", draft(&table, &with).unwrap());
    let without = draft(&table, &of("two.csv")).unwrap();
    accepted(&without);
    assert!(without.contains("# LEFT OUT, of \"P2\" by its name, and this draft is of \"P1\""), "{without}");
}

#[test]
fn what_cannot_be_drafted_says_why() {
    let told = |text: &str| draft(&lines(text), &of("x.csv")).unwrap_err().to_string();
    assert!(told("").contains("no line of column names"));
    assert!(told("V1,kW\n277,12\n").contains("no column of times was found among \"V1\", \"kW\""));
    let nothing = told("Time,Level,Comment\n2025-11-19T16:43:00Z,3,x\n");
    assert!(nothing.contains("\"Level\" (not used: nothing is computed from it)"), "{nothing}");
    let twice = told("Time,V1,V1\n2025-11-19T16:43:00Z,3,4\n");
    assert!(twice.contains("stands over more than one column"), "{twice}");
}

/// Names of the trade and anything at all.
fn name() -> impl Strategy<Value = String> {
    let known = vec![
        "V1",
        "Van",
        "Vab",
        "Ia",
        "I2",
        "kW",
        "kW_A",
        "kW Total",
        "P1",
        "P2 (W)",
        "PF",
        "kVAR total",
        "VA",
        "Hz",
        "Run",
        "Pump 1 kW (kW)",
        "Pump 2 Amps A",
        "Time",
        "Date",
        "Tag",
        "Value",
        "kWh",
        "Flow (gpm)",
        "Power",
        "A",
        "Voltage A-B",
        "Suction Pressure",
        "Level",
        "V avg",
        "Angle",
    ];
    prop_oneof![
        4 => proptest::sample::select(known).prop_map(str::to_owned),
        1 => "\\PC{0,12}",
        1 => "[A-Za-z0-9 _().\\[\\]-]{0,20}",
        1 => any::<String>().prop_map(|text| text.replace(['\n', '\r'], " ")),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn any_heading_gives_a_file_that_is_accepted_or_an_error(
        names in proptest::collection::vec(name(), 0..14),
        cells in proptest::collection::vec("(-?[0-9]{1,4}([.,][0-9]{1,2})?|on|Bad|\"|\\PC{0,3})", 14),
        delimiter in proptest::sample::select(vec![",", ";", "\t", "|"]),
        timed in any::<bool>(),
        rows in 0usize..3,
    ) {
        let mut heading = names.clone();
        let mut row = cells[..names.len()].to_vec();
        if timed {
            heading.insert(0, "Timestamp".to_owned());
            row.insert(0, "2025-11-19T16:43:00Z".to_owned());
        }
        let mut table = vec![heading.join(delimiter)];
        table.extend((0..rows).map(|_| row.join(delimiter)));
        match draft(&table, &of("any\nfile.csv")) {
            Ok(text) => {
                accepted(&text);
                // No table without its mark.
                prop_assert!(text.lines().filter(|l| l.starts_with("[[columns]]")).all(|l| l.contains("CHECK")), "{}", text);
            }
            Err(error) => prop_assert!(error.to_string().len() > 20),
        }
    }
}
