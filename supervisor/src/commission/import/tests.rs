use super::*;
use setward_config::{SourceFile, check_files};

const TWENTY_MISTAKES: &[u8] = include_bytes!("twenty_mistakes.csv");

fn imported(bytes: &[u8]) -> Imported {
    import(bytes, "list.csv", &Options::default()).unwrap()
}

fn file<'a>(imported: &'a Imported, name: &str) -> &'a str {
    &imported.files.iter().find(|(path, _)| path == name).unwrap().1
}

/// The line of an import; it must load.
fn checked(imported: &Imported) -> setward_config::Line {
    let files: Vec<SourceFile> = imported
        .files
        .iter()
        .map(|(path, text)| SourceFile { path: path.clone(), text: text.clone() })
        .collect();
    let loaded = check_files(&files);
    loaded
        .unwrap_or_else(|problems| panic!("{}\n{}", problems.render(false), file(imported, "line.toml")))
        .line
}

/// Every planted mistake with its row, its column, a phrase of what is said, and whether its row is left out.
const PLANTED: [(usize, &str, &str, bool); 20] = [
    (5, "Register", "there is no address", true),
    (6, "Register", "`tbd` is no address", true),
    (7, "Register", "beyond the last register", true),
    (8, "Register", "one list, one notation", true),
    (9, "address", "the same as row 4", true),
    (10, "tag", "`TT-310` is taken by row 4", false),
    (11, "address", "TT-310 of row 4 takes", true),
    (13, "address", "FT-320 of row 12 takes", true),
    (14, "Data type", "`ufloat24` is no type", true),
    (16, "Factor", "a scale of 0", false),
    (17, "Factor", "`n/a` is no scale", false),
    (18, "Factor", "`0.01` has its decimals behind `.`", false),
    (19, "Unit", "`furlong` is no unit", false),
    (20, "Min", "250 is above 0", false),
    (22, "Bit", "no bit 17", true),
    (24, "FC", "`4` is input, and the address is holding", false),
    (26, "Tag", "`TT 347#` is no tag", false),
    (27, "Data type", "a number of 2 registers, and bit 2", true),
    // Not wrong, but not said: these are guesses.
    (15, "encoding", "nothing says the type", false),
    (21, "order", "nothing says which word comes first", false),
];

#[test]
fn each_of_twenty_planted_mistakes_is_named_with_row_and_column() {
    let imported = imported(TWENTY_MISTAKES);
    for (row, column, phrase, left_out) in PLANTED {
        let complained = imported.complaints.iter().any(|found| {
            (found.row, found.column.as_str(), found.left_out) == (row, column, left_out)
                && found.found.contains(phrase)
        });
        let guessed = imported.guesses.iter().any(|found| {
            (found.row, found.column.as_str()) == (Some(row), column) && found.why.contains(phrase)
        });
        assert!(
            complained || guessed,
            "row {row}, {column}: {phrase}\n{:#?}\n{:#?}",
            imported.complaints,
            imported.guesses
        );
    }
    let left_out = PLANTED.iter().filter(|(_, _, _, left_out)| *left_out).count();
    assert_eq!(imported.complaints.iter().filter(|found| found.left_out).count(), left_out);
    assert_eq!(imported.signals, imported.rows - left_out);
}

#[test]
fn what_is_left_of_the_twenty_mistakes_loads() {
    let imported = imported(TWENTY_MISTAKES);
    let line = checked(&imported);
    let signal = |tag: &str| line.signal(line.signal_by_tag(tag).unwrap()).clone();
    let inlet = signal("TT-310");
    let wire = &inlet.register().unwrap().wire;
    assert_eq!((wire.address, wire.scale, inlet.range), (100, 0.1, (0.0, 250.0)));
    assert_eq!(signal("PT-334").register().unwrap().wire.scale, 0.01);
    assert_eq!(signal("TT-341").range, (0.0, 250.0));
    assert_eq!(signal("FT-320").register().unwrap().wire.order, setward_protocol::ByteOrder::Cdab);
    assert!(line.simulated, "an import must not reach a plant by itself");
}

#[test]
fn every_guess_is_marked_in_the_file() {
    let imported = imported(TWENTY_MISTAKES);
    let text = file(&imported, "line.toml");
    let of_rows = imported.guesses.iter().filter(|guess| guess.row.is_some());
    for guess in of_rows {
        let is_left_out =
            imported.complaints.iter().any(|found| Some(found.row) == guess.row && found.left_out);
        assert!(is_left_out || text.contains(&guess.why), "{guess:?}");
    }
    assert!(text.contains("# GUESSED: nothing says which word comes first"), "{text}");
    assert!(text.contains("# Left out:\n# row 5, column Register: there is no address"), "{text}");
}

#[test]
fn plain_addresses_count_from_zero_unless_something_says_otherwise() {
    let list = |header: &str, first: u32| {
        format!(
            "Name,{header},Type,Unit,Min,Max\nOil,{first},int16,degC,0,250\nAir,{},int16,degC,0,250\n",
            first + 1
        )
    };
    let address = |text: &str, options: &Options| {
        let imported = import(text.as_bytes(), "list.csv", options).unwrap();
        (checked(&imported).signals[0].register().unwrap().wire.address, imported)
    };
    let plain = Options::default();
    let (found, imported) = address(&list("Register", 100), &plain);
    assert_eq!(found, 100);
    assert!(imported.guesses.iter().any(|guess| guess.why.contains("off by one")), "{:?}", imported.guesses);
    assert_eq!(address(&list("Register number", 101), &plain).0, 100);
    assert_eq!(address(&list("Register", 101), &Options { base: Some(1), ..Options::default() }).0, 100);
    assert_eq!(address(&list("Address (hex)", 0), &plain).0, 0);
    let hex = "Name,Address,Type,Unit,Min,Max\nOil,0x0064,int16,degC,0,250\nAir,0x0065,int16,degC,0,250\n";
    assert_eq!(address(hex, &plain).0, 100);
    let input = "Name,Address,Type,Unit,Min,Max\nOil,30101,int16,degC,0,250\n";
    let (_, imported) = address(input, &plain);
    assert_eq!(checked(&imported).signals[0].register().unwrap().wire.table, setward_protocol::Table::Input);
}

#[test]
fn columns_of_any_name_can_be_told() {
    let list = "Was;Wo;Wie\nOel;100;int16\n";
    let told = import(list.as_bytes(), "list.csv", &Options::default()).unwrap_err();
    assert!(told.contains("--map") && told.contains("Was, Wo, Wie"), "{told}");
    let map = ["Was=name", "Wo=address", "Wie=type"].iter().map(|text| read_map(text).unwrap()).collect();
    let imported = import(list.as_bytes(), "list.csv", &Options { map, ..Options::default() }).unwrap();
    assert_eq!(checked(&imported).signals[0].name, "Oel");
    let wrong = Options { map: vec![("Wohin".to_owned(), Meaning::Address)], ..Options::default() };
    let told = import("Name,Address\nOil,1\n".as_bytes(), "list.csv", &wrong).unwrap_err();
    assert!(told.contains("there is no column `Wohin`"), "{told}");
    assert!(read_map("Wo=adress").unwrap_err().contains("address"));
}

#[test]
fn a_list_from_another_spreadsheet_is_read() {
    let latin = b"Name;Adresse;Typ;Einheit;Faktor\n\xD6l;100;INT16;\xB0C;0,1\n";
    let imported = import(latin, "list.csv", &Options::default()).unwrap();
    let line = checked(&imported);
    assert_eq!((line.signals[0].name.as_str(), line.signals[0].unit.symbol()), ("\u{d6}l", "degC"));
    let wide: Vec<u8> = [0xFF, 0xFE]
        .into_iter()
        .chain("Name\tAddress\tType\nOil\t100\tuint16\n".encode_utf16().flat_map(u16::to_le_bytes))
        .collect();
    assert_eq!(checked(&import(&wide, "list.csv", &Options::default()).unwrap()).signals.len(), 1);
}

#[test]
fn lines_that_end_in_a_carriage_return_alone_have_numbers() {
    let list = b"Name,Address,Type,Unit\rOil,100,int16,degC\rAir,,int16,degC\r";
    let imported = import(list, "list.csv", &Options::default()).unwrap();
    assert_eq!((imported.rows, imported.signals), (2, 1));
    assert!(file(&imported, "line.toml").contains("# row 3, column Address: there is no address"));
}

/// The reason behind the guess of a key in the row.
fn guess(imported: &Imported, row: usize, column: &str) -> String {
    let found = imported.guesses.iter().find(|guess| guess.row == Some(row) && guess.column == column);
    found.map(|guess| guess.why.clone()).unwrap_or_default()
}

#[test]
fn both_ends_of_a_range_are_read_by_their_german_headers() {
    let list = "Tag;Adresse;Typ;Einheit;Faktor;Messbereich von;Messbereich bis\nTT-1;40101;int16;degC;0,1;0,0;250,0\n";
    assert_eq!(checked(&imported(list.as_bytes())).signals[0].range, (0.0, 250.0));
}

#[test]
fn a_scale_that_no_column_tells_is_marked_as_guessed() {
    let of = |list: &str| guess(&imported(list.as_bytes()), 2, "scale");
    assert!(of("Tag,Register,Type,Unit\nTT-1,40101,int16,degC\n").contains("no column says the scale"));
    assert_eq!(of("Tag,Register,Type,Unit\nTT-1,40101,float,degC\n"), "", "a float is what it says");
    assert_eq!(of("Tag,Register,Type,Unit,Scale\nTT-1,40101,int16,degC,\n"), "", "an empty cell is one");
}

#[test]
fn a_scale_too_coarse_for_its_range_is_marked_as_guessed() {
    let of = |scale: &str, high: &str| {
        let list =
            format!("Tag,Register,Type,Unit,Scale,Low,High\nTT-1,40101,uint16,degC,{scale},0,{high}\n");
        guess(&imported(list.as_bytes()), 2, "scale")
    };
    assert!(of("10", "120").contains("12 of them the whole range"), "{}", of("10", "120"));
    assert_eq!((of("0.1", "120"), of("10", "5000")), (String::new(), String::new()));
}

/// The check refuses both as they stand in the list.
#[test]
fn a_bit_with_a_factor_and_a_range_wholly_beyond_its_register_are_written_so_that_the_check_takes_them() {
    let list = "Tag,Register,Type,Bit,Unit,Scale,Low,High\nTT-1,40101,uint16,,degC,0.1,-40,-5\n\
                YS-1,40102,bool,3,,10,0,5\nTT-2,40103,uint16,,degC,0.1,-5,-40\n";
    let line = checked(&imported(list.as_bytes()));
    assert_eq!(line.signals[0].range, (0.0, 6553.5));
    assert_eq!(line.signals[1].register().unwrap().wire.scale, 1.0);
    assert_eq!(line.signals[2].range, (0.0, 6553.5));
}

#[test]
fn a_range_that_the_registers_cannot_hold_is_marked_as_guessed() {
    let list = "Tag,Register,Type,Unit,Scale,Low,High\nTT-1,40101,int16,degC,0.1,0,9999\nTT-2,40102,int16,degC,0.1,0,3276.7\n";
    let imported = imported(list.as_bytes());
    assert!(guess(&imported, 2, "range").contains("hold -3276.8 to 3276.7 only"), "{:?}", imported.guesses);
    assert_eq!(guess(&imported, 3, "range"), "");
}

#[test]
fn an_address_with_a_point_and_a_unit_is_told() {
    let list = "Tag,Register,Type,Unit\nTT-1,12.5,int16,degC\nTT-2,13,int16,degC\n";
    let imported = imported(list.as_bytes());
    assert!(imported.complaints[0].found.contains("names bit 5"), "{:?}", imported.complaints);
}

#[test]
fn coils_are_read_as_drawings_print_them() {
    let list = "Tag,Register,Type\nTT-1,40101,int16\nTT-2,40102,int16\nHS-1,00012,bool\n";
    let line = checked(&imported(list.as_bytes()));
    assert_eq!(line.signals.len(), 3);
    let told = import(b"", "list.csv", &Options::default()).unwrap_err();
    assert!(told.contains("is empty"), "{told}");
}

#[test]
fn bits_of_one_word_share_it() {
    let list = "Name,Register,Type\nPump,40140.0,bool\nFan,40140.1,bool\nPump again,40140.0,bool\n";
    let imported = imported(list.as_bytes());
    assert_eq!(checked(&imported).signals.len(), 2);
    assert!(imported.complaints[0].found.contains("bit 0"), "{:?}", imported.complaints);
}

#[test]
fn names_with_anything_in_them_are_still_toml() {
    let list = "Name,Register,Type\n\"Oil \"\"hot\"\" \\ side # 1\",40101,int16\n";
    assert_eq!(checked(&imported(list.as_bytes())).signals[0].name, "Oil \"hot\" \\ side # 1");
}

proptest::proptest! {
    #[test]
    fn no_bytes_make_it_panic(bytes in proptest::collection::vec(0_u8.., 0..300)) {
        let _any = import(&bytes, "list.csv", &Options::default());
    }

    /// Whatever stands in the cells: what is written is TOML that the check reads without a syntax error.
    #[test]
    fn whatever_is_in_the_cells_the_files_are_toml(cells in proptest::collection::vec("[ -~]{0,12}", 12)) {
        let mut list = "Tag,Name,Register,Type,Unit,Factor\n".to_owned();
        for row in cells.chunks(6) {
            let quoted: Vec<String> = row.iter().map(|cell| format!("\"{}\"", cell.replace('"', "\"\""))).collect();
            list += &(quoted.join(",") + "\n");
        }
        list += "TT-1,Oil,40101,int16,degC,0.1\n";
        if let Ok(imported) = import(list.as_bytes(), "list.csv", &Options::default()) {
            checked(&imported);
        }
    }
}

/// Tags with scale and address, of a list.
fn places(text: &str) -> Vec<(String, String, f64)> {
    let imported = imported(text.as_bytes());
    let line = checked(&imported);
    line.signals
        .iter()
        .map(|signal| {
            let wire = &signal.register().unwrap().wire;
            let bit = matches!(wire.encoding, setward_protocol::Encoding::Bit(_)) && !wire.table.is_bits();
            let place = format!("{} {}{}", wire.table, wire.address, if bit { " bit" } else { "" });
            (signal.tag.clone(), place, wire.scale)
        })
        .collect()
}

#[test]
fn a_scale_of_three_decimals_is_no_thousand_whatever_parts_it() {
    let list = |rows: &str| format!("Tag;Register;Type;Unit;Scale;Low;High\n{rows}");
    for (rows, scale) in [
        ("TT-1;40101;uint16;bar;0,001;0;10\n", 0.001),
        ("TT-1;40101;uint16;bar;0,125;0;10\n", 0.125),
        ("TT-1;40101;uint16;bar;0.001;0,0;6,5\nTT-2;40102;uint16;bar;0,1;0,0;6,5\n", 0.001),
    ] {
        assert_eq!(places(&list(rows))[0].2, scale, "{rows}");
    }
}

#[test]
fn a_list_of_drawing_numbers_is_one_with_bits_and_with_a_row_that_is_no_address() {
    let list = |rows: &[&str]| format!("Tag,Register,Type,Unit\n{}\n", rows.join("\n"));
    let with_bits =
        list(&["TT-1,40101,int16,degC", "TT-2,40102,int16,degC", "YS-1,10001,bool,", "YS-2,10002,bool,"]);
    let found: Vec<String> = places(&with_bits).into_iter().map(|(_, place, _)| place).collect();
    assert_eq!(found, ["holding 100", "holding 101", "discrete 0", "discrete 1"]);
    assert_eq!(places(&list(&["TT-1,40101,int16,degC", "TT-2,bad,int16,degC"]))[0].1, "holding 100");
}

#[test]
fn where_an_address_counts_from_is_as_its_prefix_and_the_list_say() {
    let one = |address: &str, base: Option<u8>| {
        let text = format!("Tag,Register,Type,Unit\nTT-1,{address},int16,degC\n");
        let options = Options { base, ..Options::default() };
        let imported = import(text.as_bytes(), "list.csv", &options)?;
        Ok::<_, String>(checked(&imported).signals[0].register().unwrap().wire.address)
    };
    assert_eq!(one("HR101", Some(1)), Ok(100));
    assert_eq!(one("HR100", None), Ok(100));
    assert_eq!(one("4x00001", None), Ok(0));
    assert_eq!(one("4x00001", Some(0)), Ok(0));
    assert_eq!(one("%MW100", Some(1)), Ok(100));
    let told = one("40101", Some(1)).unwrap_err();
    assert!(told.contains("leave --base out"), "{told}");
}

#[test]
fn digits_of_one_width_with_a_letter_among_them_are_hexadecimal_throughout() {
    let rows: Vec<String> = ["0008", "0009", "000A", "0010", "0011"]
        .iter()
        .enumerate()
        .map(|(n, at)| format!("TT-{n},{at},int16,degC"))
        .collect();
    let found: Vec<String> = places(&format!("Tag,Register,Type,Unit\n{}\n", rows.join("\n")))
        .into_iter()
        .map(|(_, place, _)| place)
        .collect();
    assert_eq!(found, ["holding 8", "holding 9", "holding 10", "holding 16", "holding 17"]);
}

#[test]
fn addresses_that_a_sheet_took_for_numbers_with_decimals_name_no_bits() {
    let list = |rows: &str| format!("Tag,Register,Type,Unit,Scale\n{rows}");
    let floats = list("TT-1,100.0,int16,degC,0.1\nTT-2,101.0,int16,degC,0.1\n");
    assert_eq!(
        places(&floats),
        [
            ("TT-1".to_owned(), "holding 100".to_owned(), 0.1),
            ("TT-2".to_owned(), "holding 101".to_owned(), 0.1)
        ]
    );
    assert!(imported(floats.as_bytes()).guesses.iter().any(|guess| guess.guessed.contains("is no bit")));
    let mixed = imported(list("TT-1,100.0,int16,,0.1\nYS-1,101.3,bool,,\n").as_bytes());
    let told =
        |phrase: &str| mixed.complaints.iter().any(|found| found.row == 2 && found.found.contains(phrase));
    assert!(told("names bit 0, and `int16` is a number"), "{:?}", mixed.complaints);
}

#[test]
fn merged_cells_longer_headers_and_cells_of_two_lines_move_no_signal() {
    let merged = "Device,Tag,Register,Type,Unit\nfryer,TT-1,40101,int16,degC\n,TT-2,40102,int16,degC\noven,TT-3,40101,int16,degC\n,TT-4,40102,int16,degC\n";
    let found = imported(merged.as_bytes());
    let line = checked(&found);
    let names: Vec<&str> = line
        .signals
        .iter()
        .map(|signal| line.controller(signal.register().unwrap().controller).name.as_str())
        .collect();
    assert_eq!(names, ["fryer", "fryer", "oven", "oven"]);
    assert!(file(&found, "line.toml").contains("# GUESSED: its cell is empty: as the row above"));

    let headers = "Signal type,Tag,No. of registers,Start register,Type,Unit\nAI,TT-1,1,100,int16,degC\nAI,TT-2,2,101,float,degC\n";
    let found: Vec<String> =
        places(headers).into_iter().map(|(tag, place, _)| format!("{tag} {place}")).collect();
    assert_eq!(found, ["TT-1 holding 100", "TT-2 holding 101"]);

    let two_lines =
        imported(b"Tag,\"Register\naddress\",Type,Unit\nTT-1,40101,int16,degC\nTT-2,tbd,int16,degC\n");
    assert_eq!(two_lines.complaints[0].row, 3, "as the sheet counts");

    let no_value = imported(b"Tag,Register,Type,Unit,Invalid\nTT-1,40101,int16,degC,\"32,767\"\n");
    let line = checked(&no_value);
    assert_eq!(line.signals[0].register().unwrap().wire.no_value, [32_767]);
    assert!(no_value.complaints[0].found.contains("may be one count or several"));
}

#[test]
fn text_of_either_byte_order_and_the_dashes_of_spreadsheets_are_read() {
    let text = "Tag,Register,Type,Unit,Range\nTT-1,40101,int16,degC,0 \u{2013} 250\n";
    let big_endian: Vec<u8> =
        [0xFE, 0xFF].into_iter().chain(text.encode_utf16().flat_map(u16::to_be_bytes)).collect();
    let windows: Vec<u8> =
        text.chars().map(|letter| if letter == '\u{2013}' { 0x96 } else { letter as u8 }).collect();
    for bytes in [big_endian, windows] {
        assert_eq!(checked(&imported(&bytes)).signals[0].range, (0.0, 250.0));
    }
}
