use super::columns::{KNOWN, Quantity, TEXTS};
use super::*;
use crate::options::Surface;

fn sheet(text: &str) -> Sheet {
    parsed(text.as_bytes()).unwrap()
}

#[test]
fn rows_carry_pictures_surface_and_firing() {
    let sheet = sheet("\u{feff}specimen;pictures;surface;peak °C\nA;a/*.png;as-fired;1450\nB;;;\n");
    let rows = sheet.rows;
    assert!(rows[0].covers("a/1.png") && !rows[0].covers("a/deep/1.png"));
    assert_eq!(rows[0].surface, Some(Surface::AsFired));
    assert_eq!(rows[0].firing["peak °C"], "1450");
    assert_eq!(rows[0].numbers["peak °C"], 1450.0);
    assert!(rows[1].covers("B/1.tif") && rows[1].firing.is_empty());
}

#[test]
fn a_wrong_cell_is_named_by_row_and_column_and_costs_no_other() {
    let sheet = sheet("specimen,pictures,surface,hold_min\nA,*,shiny,120\n");
    let warning = &sheet.warnings()[0];
    assert_eq!(warning.code, "sheet-cell-unreadable");
    for part in ["row 2", "'surface'", "'shiny'", "thermally-etched"] {
        assert!(warning.message.contains(part), "{}", warning.message);
    }
    assert_eq!(sheet.rows[0].surface, None);
    assert_eq!(sheet.rows[0].value(Quantity::Hold), Some(120.0));
    let error = parsed(b"specimen,pictures\nA,x/*\nA,y/*\n").unwrap_err();
    assert!(error.contains("row 3") && error.contains("already"), "{error}");
    assert!(parsed(b"name,pictures\n").unwrap_err().contains("'specimen'"));
}

#[test]
fn the_same_quantity_is_read_in_every_unit_of_its_kind() {
    let text = "specimen,peak_temperature_k,hold_h,fired_height_um,fired_outer_diameter_cm,fired_mass_mg,\
                pressing_force_kgf,ramp_rate_c_h,theoretical_density_kg_m3,liquid_temperature_f\n\
                A,1723.15,2,5270,2.552,5607,250,300,3987,68\n";
    let sheet = sheet(text);
    assert!(sheet.problems.is_empty(), "{:?}", sheet.problems);
    for (quantity, want) in [
        (Quantity::PeakTemperature, 1450.0),
        (Quantity::Hold, 120.0),
        (Quantity::FiredHeight, 5.27),
        (Quantity::FiredOuterDiameter, 25.52),
        (Quantity::FiredMass, 5.607),
        (Quantity::PressingForce, 2.451_662_5),
        (Quantity::RampRate, 5.0),
        (Quantity::TheoreticalDensity, 3.987),
        (Quantity::LiquidTemperature, 20.0),
    ] {
        let got = sheet.rows[0].value(quantity).unwrap();
        assert!((got - want).abs() < 1e-9 * want, "{quantity:?}: {got} {want}");
    }
    assert_eq!(sheet.rows[0].numbers["hold_h"], 2.0, "numbers keep the unit of the head");
}

#[test]
fn heads_are_known_with_capitals_brackets_and_line_breaks() {
    let sheet =
        sheet("Specimen;\"Peak temperature\n(°C)\";Hold / min;Fired mass [g];;\nA;1450;120;5,607;;\n");
    assert!(sheet.problems.is_empty(), "{:?}", sheet.problems);
    let row = &sheet.rows[0];
    assert_eq!(row.value(Quantity::PeakTemperature), Some(1450.0));
    assert_eq!(row.value(Quantity::Hold), Some(120.0));
    assert_eq!(row.value(Quantity::FiredMass), Some(5.607));
    assert_eq!(row.firing["Fired mass [g]"], "5,607");
    assert_eq!(row.number, 2, "a line break in a cell is no row");
}

#[test]
fn comments_empty_rows_and_line_ends_of_all_systems_leave_rows_countable() {
    for end in ["\n", "\r\n", "\r"] {
        let text = "# ours, as \"ever\n\"# quoted, with a comma\",,\nspecimen,hold_min,mine\n\n,,\nA,1 h,x\n#B,3,\nC,2,\"y\nz\"\nD,-4,";
        let sheet = sheet(&text.replace('\n', end));
        let names: Vec<_> = sheet.rows.iter().map(|row| (row.specimen.as_str(), row.number)).collect();
        assert_eq!(names, [("A", 6), ("C", 8), ("D", 9)]);
        let rows: Vec<_> = sheet.problems.iter().map(|problem| problem.row).collect();
        assert_eq!(rows, [6, 9]);
    }
}

#[test]
fn the_template_reads_back_empty_and_without_problems() {
    let text = template();
    let sheet = sheet(&text);
    assert!(sheet.problems.is_empty() && sheet.rows.is_empty(), "{:?}", sheet.problems);
    assert_eq!(sheet.heads.len(), TEXTS.len() + KNOWN.len() + 8);
    assert!(sheet.heads.iter().all(|head| meaning(head) != Meaning::Unknown));
    // As a spreadsheet saves it again: comments with commas quoted and padded, cells parted by semicolons.
    let padded = |line: &str| match line.starts_with('#') {
        true => format!("\"{line}\";;;"),
        false => line.replace(',', ";"),
    };
    let again: Vec<String> = text.lines().map(padded).collect();
    let again = parsed((again.join("\r\n") + "\r\nA;;;\r\n").as_bytes()).unwrap();
    assert!(again.problems.is_empty() && again.rows.len() == 1, "{:?}", again.problems);
}

#[test]
fn the_template_names_every_default_that_is_assumed() {
    let text = template();
    for default in [
        format!("{} g", quantities::MASS_UNCERTAINTY_G),
        format!("{} mm", quantities::LENGTH_UNCERTAINTY_MM),
        format!("{} %", 100.0 * quantities::FORCE_UNCERTAINTY_SHARE),
        format!("{} K", quantities::LIQUID_TEMPERATURE_UNCERTAINTY_K),
        format!("{} g/cm³", quantities::LIQUID_DENSITY_UNCERTAINTY_G_CM3),
        format!("{} °C", crate::firing::programme::ROOM_TEMPERATURE_C),
    ] {
        assert!(text.contains(&format!("empty: {default}")), "{default}");
    }
}

#[test]
fn suggestions_are_made_for_near_misses_and_not_for_the_users_own_heads() {
    for (head, near) in [
        ("fird_mass_g", "fired_mass_g"),
        ("fired_mass", "fired_mass_g"),
        ("fired_mass_lb", "fired_mass_g"),
        ("peak_temprature_c", "peak_temperature_c"),
        ("peak temperature", "peak_temperature_c"),
        ("surfcae", "surface"),
        ("segment_2_ramp_min", "segment_2_ramp_k_min"),
        ("specimens", "specimen"),
    ] {
        assert_eq!(suggestion(head).as_deref(), Some(near), "{head}");
    }
    for own in
        ["binder %", "operator", "batch", "powder lot", "hardness_hv", "strength_mpa", "peak °C", "date"]
    {
        assert_eq!(suggestion(own), None, "{own}");
    }
}

#[test]
fn a_hole_that_cannot_be_read_is_no_disc() {
    let heads = "specimen,fired_mass_g,fired_outer_diameter_mm,fired_inner_diameter_mm,fired_height_mm\n";
    let volume = |cell: &str, others: &str| {
        let sheet = sheet(&format!("{heads}A,5.6,25.5,{cell},5.3\n{others}"));
        crate::body::shape::volume_cm3(&sheet.rows[0].readings().0.fired)
    };
    assert!(volume("", "").is_some(), "empty everywhere: discs");
    assert!(volume("0", "B,5.6,25.5,16.7,5.3\n").is_some());
    for unusable in ["n/a", "16,7 mm", "30", "-1"] {
        assert_eq!(volume(unusable, ""), None, "{unusable}");
    }
    assert_eq!(volume("", "B,5.6,25.5,16.7,5.3\n"), None, "a hole in other rows only");
}

#[test]
fn programmes_come_from_numbered_segments_or_from_one() {
    let sheet = sheet(
        "specimen,ramp_rate_k_min,peak_temperature_c,hold_min,segment_1_ramp_k_h,segment_1_target_c,segment_1_hold_h,\
         segment_2_ramp_time_min,segment_2_target_c,segment_2_hold_min\n\
         A,5,1450,120,,,,,,\nB,,,,60,600,1,170,1450,120\nC,,,,,,,,,\n",
    );
    assert!(sheet.problems.is_empty(), "{:?}", sheet.problems);
    let minutes = |row: usize| sheet.rows[row].programme().and_then(|programme| programme.duration_min());
    assert_eq!(minutes(0), Some(285.0 + 120.0));
    assert_eq!(minutes(1), Some(575.0 + 60.0 + 170.0 + 120.0));
    assert!(sheet.rows[2].programme().is_none());
}

#[test]
fn a_programme_with_a_gap_is_not_guessed_at() {
    let heads = "specimen;start_temperature_c;segment_1_ramp_k_min;segment_1_target_c;segment_1_hold_min;\
                 segment_2_ramp_k_min;segment_2_target_c;segment_2_hold_min\n";
    let minutes = |cells: &str| {
        let sheet = sheet(&format!("{heads}A;{cells}\n"));
        sheet.rows[0].programme().map(|programme| programme.duration_min())
    };
    assert_eq!(minutes("25;5;600;60;5;1450;120"), Some(Some(115.0 + 60.0 + 170.0 + 120.0)));
    assert_eq!(minutes("25;5;600;60;-;-;-"), Some(Some(175.0)), "dashes: no second segment");
    assert_eq!(minutes("25;5;600;60;5;1450;"), Some(None), "hold unknown");
    for gap in [
        "25;5;600;60;5;OverRange;120",
        "25;5;;60;5;1450;120",
        "25;5;-300;60;5;1450;120",
        "room;5;600;60;5;1450;9",
    ] {
        assert_eq!(minutes(gap), None, "{gap}");
    }
}

#[test]
fn the_page_lists_every_head_and_no_other() {
    let page = include_str!("../../../docs/sheet.md");
    let section = page.split("## Heads").nth(1).unwrap().split("## Body").next().unwrap();
    let rows = section.lines().filter_map(|line| line.strip_prefix("| `"));
    let listed: Vec<(&str, usize)> = rows
        .map(|row| {
            let mut cells = row.split(" | ");
            (cells.next().unwrap().trim_end_matches('`'), cells.next().unwrap().matches("`_").count())
        })
        .collect();
    let heads = parsed(template().as_bytes()).unwrap().heads;
    let units = |head: &str| match meaning(head) {
        Meaning::Number(column) => column.kind.units().len() - 1,
        _ => 0,
    };
    let wanted = heads.iter().filter(|head| !head.starts_with("segment_2"));
    assert_eq!(listed, wanted.map(|head| (head.as_str(), units(head))).collect::<Vec<_>>());
}

proptest::proptest! {
    #[test]
    fn no_bytes_make_the_reader_panic(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..400)) {
        let _ = parsed(&bytes);
    }

    #[test]
    fn no_cell_makes_a_known_column_panic_or_unreported(cell in "[ -~°µ½'’\u{a0}\u{2212}\u{2009}]{0,12}") {
        let quoted = cell.replace('"', "\"\"");
        let sheet = sheet(&format!("specimen;fired_mass_g\nA;\"{quoted}\"\n"));
        let row = &sheet.rows[0];
        let used = row.value(Quantity::FiredMass).is_some();
        let reported = sheet.problems.iter().any(|problem| problem.column == "fired_mass_g");
        let unknown = cells::is_unknown(&cell);
        proptest::prop_assert!(u8::from(used) + u8::from(reported) + u8::from(unknown) == 1, "{:?}", sheet.problems);
    }
}

#[test]
fn a_specimen_of_any_name_has_the_pictures_of_its_folder_and_no_other() {
    for name in ["ring!", "!1450", "[a]", "{a,b}", "a\\b", "a*", "a?", "^", "~", "-"] {
        let sheet = parsed(format!("specimen\n\"{name}\"\n").as_bytes()).unwrap();
        assert!(sheet.rows[0].covers(&format!("{name}/1.png")), "{name}");
        assert!(!sheet.rows[0].covers("a/1.png") && !sheet.rows[0].covers("ring/1.png"), "{name}");
    }
    let long = "x".repeat(1 << 20);
    let sheet = parsed(format!("specimen\n{long}\n").as_bytes()).unwrap();
    assert!(!sheet.rows[0].covers("a.png"));
}
