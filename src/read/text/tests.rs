//! Text logs of every kind, and what is none.

use std::fmt::Write as _;

use super::super::{cells, from_bytes};
use super::*;
use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, Int64Type};
use arrow_array::{Array, ArrayRef};
use arrow_schema::DataType;

fn table(text: &str) -> Table {
    table_of(text.as_bytes())
}

fn table_of(bytes: &[u8]) -> Table {
    from_bytes("test.csv", bytes, &ReadOptions::default()).expect("table")
}

fn error(bytes: &[u8]) -> String {
    from_bytes("test.csv", bytes, &ReadOptions::default()).expect_err("an error").to_string()
}

fn floats(values: &ArrayRef) -> Vec<Option<f64>> {
    match values.data_type() {
        DataType::Int64 => values.as_primitive::<Int64Type>().iter().map(|v| v.map(|v| v as f64)).collect(),
        _ => values.as_primitive::<Float64Type>().iter().collect(),
    }
}

fn texts(values: &ArrayRef) -> Vec<Option<&str>> {
    values.as_string::<i32>().iter().collect()
}

fn noted(table: &Table, words: &str) -> bool {
    table.notes.iter().any(|note| note.text.contains(words))
}

#[test]
fn numbers_integers_words_and_truths_become_typed_columns() {
    let table = table("t,n,w,ok\n0.5,1,idle,TRUE\n1.0,2,run,false\n1.5,3,run,true\n");
    let types: Vec<&DataType> = table.columns.iter().map(|column| column.values.data_type()).collect();
    assert_eq!(types, [&DataType::Float64, &DataType::Int64, &DataType::Utf8, &DataType::Boolean]);
    assert_eq!(floats(&table.columns[0].values.whole()), [Some(0.5), Some(1.0), Some(1.5)]);
    assert_eq!(texts(&table.columns[2].values.whole()), [Some("idle"), Some("run"), Some("run")]);
    assert_eq!((table.rows, table.source.format.as_str()), (3, "text"));
    assert_eq!(table.source.sha256.len(), 64);
}

#[test]
fn decimal_commas_are_read() {
    let table = table("t;a\n0,1;14,7\n0,2;14,8\n");
    assert_eq!(floats(&table.columns[1].values.whole()), [Some(14.7), Some(14.8)]);
}

#[test]
fn blank_cells_and_words_for_nothing_are_null() {
    let table = table("t,a,b\n0,,1\n1,NaN,\n2,N/A,3\n3,-inf,4\n4,5,5\n5,1e999,6\n");
    assert_eq!(floats(&table.columns[1].values.whole()), [None, None, None, None, Some(5.0), None]);
    assert_eq!(floats(&table.columns[2].values.whole())[1], None);
    assert!(noted(&table, "4 cells say that there is no value, the first `NaN`"));
    assert_eq!(table.notes.iter().find(|n| n.text.contains("no value")).and_then(|n| n.line), Some(3));
}

#[test]
fn a_few_words_among_numbers_are_unreadable_cells() {
    let table = table("t,a\n0,1.5\n1,ERR\n2,1.6\n3,1.7\n");
    assert_eq!(floats(&table.columns[1].values.whole()), [Some(1.5), None, Some(1.6), Some(1.7)]);
    assert_eq!(table.columns[1].unreadable, [(1, "ERR".to_owned())]);
    let note = table.notes.iter().find(|note| note.text.contains("`ERR`")).expect("note");
    assert_eq!((note.line, note.channel.as_deref()), (Some(3), Some("a")));
}

#[test]
fn the_majority_decides_wherever_it_stands() {
    let mut text = "t,a,b\n".to_owned();
    for row in 0..1000 {
        let (a, b) = if row < 300 { ("7", "word") } else { ("word", "7") };
        writeln!(text, "{row},{a},{b}").expect("write");
    }
    let table = table(&text);
    assert_eq!(table.columns[1].values.data_type(), &DataType::Utf8);
    assert_eq!(table.columns[2].values.null_count(), 300);
    assert_eq!(table.columns[2].unreadable.len(), cells::UNREADABLE_KEPT);
}

#[test]
fn long_integers_keep_every_digit() {
    let table = table("id,x\n1234567890123456789,1\n1234567890123456790,2\n");
    let ids = table.columns[0].values.whole();
    let ids = ids.as_primitive::<Int64Type>();
    assert_eq!(ids.values().as_ref(), [1_234_567_890_123_456_789, 1_234_567_890_123_456_790]);
    let beyond = super::tests::table("id,x\n123456789012345678901,1\n123456789012345678902,2\n");
    assert_eq!(texts(&beyond.columns[0].values.whole())[0], Some("123456789012345678901"));
}

#[test]
fn thousands_of_repeated_headers_are_counted_and_the_first_told() {
    let part = |row: u32| format!("Time,RPM\n{row},{}\n{row}.5,{}\n", 900 + row % 7, 901 + row % 7);
    let text: Vec<String> = (0..3_000).map(part).collect();
    let table = table(&text.concat());
    assert_eq!((table.rows, table.restarts.len()), (6_000, 2_999));
    let told = table.notes.iter().filter(|note| note.text.contains("the header is repeated"));
    let told: Vec<&str> = told.map(|note| note.text.as_str()).collect();
    assert_eq!((told.len(), told[20]), (21, "the header is repeated 2999 times in all"));
}

#[test]
fn ragged_lines_are_noted_with_their_number() {
    let table = table("t,a,b\n0,1,2\n1,1\n2,1,2,9\n3,1,2,\n4,1,2\n");
    assert_eq!(table.rows, 5);
    assert_eq!(floats(&table.columns[2].values.whole())[1], None);
    let lines: Vec<_> =
        table.notes.iter().filter(|n| n.text.contains("in place of 3")).map(|n| n.line).collect();
    assert_eq!(lines, [Some(3), Some(4)]);
}

/// Twenty rows of five numbers, with another cell or line put into some.
fn rows_of_five(line: impl Fn(usize) -> Option<String>) -> String {
    let row = |row: usize| {
        format!("{}.{},{},{},0.8{},1{}", row / 10, row % 10, 3000 + row, 90 - row, row % 7, row % 3)
    };
    let rows = (0..20).map(|number| line(number).unwrap_or_else(|| row(number)) + "\n");
    "Time,RPM,MAP,Lambda,Target\n".to_owned() + &rows.collect::<String>()
}

#[test]
fn a_second_table_in_the_file_is_refused_with_its_line() {
    let headers = [
        ("Time,RPM,MAP,Target,Lambda", "this header is not that"),
        ("Time,RPM,Lambda,Target", "this header is not that"),
        ("\"Time\",\"RPM\",\"Target\",\"Lambda\",\"MAP\"", "this header is not that"),
        ("Time;RPM;Lambda;Target", "this header is not that"),
        ("Zeit,Drehzahl,Luftzahl,Soll,Druck", "this header is not that"),
    ];
    for (header, problem) in headers {
        let text = rows_of_five(|row| (row == 9).then(|| header.to_owned()));
        let said = error(text.as_bytes());
        assert!(said.contains("line 11:") && said.contains(problem), "{header}: {said}");
    }
    // Most of what is looked at first is the one table, or the other.
    for from in [17, 12] {
        let foreign = |row: usize| (row >= from).then(|| format!("{row}.0;3000;80;0,84;11"));
        let said = error(rows_of_five(foreign).as_bytes());
        let line = format!("line {}:", from + 2);
        assert!(
            said.contains(&line) && said.contains("the file holds two tables") && said.contains("by `;` "),
            "{said}"
        );
    }
    let points = rows_of_five(|row| (row > 16).then(|| format!("{row}*0,3000,80*5,0*84,0*81")));
    let said = error(points.replace(',', ";").replace('*', ",").as_bytes());
    assert!(said.contains("line 19:") && said.contains("with `,` here and with `.`"), "{said}");
}

#[test]
fn values_that_are_taken_back_leave_their_rows() {
    // Ten pieces, a whole line in the first, the middle or the last of them, or in none.
    for whole in [Some(3), Some(50_000), Some(99_999), None] {
        let mut text = "Time,RPM,MAP,Lambda,Word\n".to_owned();
        for row in 0..100_000 {
            let rest = if Some(row) == whole { "3000,80,0.84,on" } else { "3000,80,0.84" };
            let rest = if whole.is_none() && row % 5 == 4 { "3000,80,0.84,on,1" } else { rest };
            writeln!(text, "{row},{rest}").expect("text");
        }
        let table = table(&text);
        let filled: Vec<usize> =
            table.columns.iter().map(|c| c.values.len() - c.values.null_count()).collect();
        let alone = usize::from(whole.is_some());
        assert_eq!(table.rows, 100_000);
        assert!(table.columns.iter().all(|column| column.values.len() == 100_000), "{whole:?}");
        assert_eq!(filled[..4], [alone; 4], "{whole:?}");
    }
}

#[test]
fn quotes_left_open_in_two_lines_swallow_no_rows_between_them() {
    let mut rows = String::new();
    for row in 0..20 {
        let mark = match row {
            5 => "\"start",
            12 => "stop\"",
            _ => "",
        };
        writeln!(rows, "0.{row:02},30{row:02},0.8{},{mark}", row % 10).expect("text");
    }
    let table = table(&format!("Time,RPM,Lambda,Mark\n{rows}"));
    assert_eq!(table.rows, 20);
    assert_eq!(floats(&table.columns[2].values.whole())[8], Some(0.88));
}

#[test]
fn words_and_remarks_between_the_rows_are_no_second_table() {
    for line in [
        "Time,RPM,MAP,Lambda,Target ",
        "\u{feff}Time,RPM,MAP,Lambda,Target",
        " time,\"RPM\",MAP,Lambda,Target",
        "1.0,ERR,ERR,ERR,ERR",
        "1.0,open,short,cold,off",
        "driver lifts; second try",
        "1.0;3000;80;0,84;11",
        "lap 2,,,,",
    ] {
        let text = rows_of_five(|row| (row == 9).then(|| line.to_owned()));
        assert!(table(&text).rows >= 19, "{line}");
    }
}

#[test]
fn rows_of_another_table_before_this_one_are_counted() {
    let whole = rows_of_five(|_| None);
    for row in ["0.1 3000 80 0.84 11", "\"0.1,3000,80,0.84,11\"", "#0.1,3000,80,0.84,11"] {
        let rows = format!("{row}\n").repeat(8);
        let cut = table(&format!("{rows}\n{whole}")).source.cut_short;
        assert!(cut.is_some_and(|cut| !cut.row_only && cut.why.contains("before the table")), "{row}");
    }
    let preamble =
        "Logger 7, version 2.1.14\nRun 3 of 2026-05-17 at 10:14:03\nSensor S-1042, checked 2026-05-16\n";
    let laps = "Lap 7: 1:02.4 at 14:17\n".repeat(11);
    assert!(table(&format!("{preamble}{laps}\n{whole}")).source.cut_short.is_none());
    // In the middle of it: one cell of this table.
    let among = |row: usize| (5..9).contains(&row).then(|| "0.1 3000 80 0.84 11".to_owned());
    let blank = |row: usize| if row == 2 { Some("0.2,,80,0.84,11".to_owned()) } else { among(row) };
    let cut = table(&rows_of_five(blank)).source.cut_short;
    assert!(cut.is_some_and(|cut| !cut.row_only && cut.why.ends_with(": 4")));
    // A remark that leaves out its delimiters hides no reading beside it.
    let remark = |row: usize| match row {
        2 => Some("0.2,,80,0.84,11".to_owned()),
        5..9 => Some(format!("0.{row},3000,lap,0.84")),
        _ => None,
    };
    assert!(
        floats(&table(&rows_of_five(remark)).columns[3].values.whole())[5..9].iter().all(Option::is_some)
    );
}

#[test]
fn rows_that_do_not_end_in_a_line_feed_are_counted() {
    let whole = rows_of_five(|_| None);
    let from = whole.match_indices('\n').nth(8).expect("a line").0;
    let until = whole.match_indices('\n').nth(15).expect("a line").0;
    let ended =
        |by: &str| format!("{}{}{}", &whole[..from], whole[from..until].replace('\n', by), &whole[until..]);
    for by in ["\r", "\u{c}", "\u{85}", "\u{2028}", ","] {
        let read = table(&ended(by));
        let cut = read.source.cut_short.expect("rows are lost");
        assert!(!cut.row_only && cut.why.contains("stand behind others in one line"), "{by:?}: {}", cut.why);
    }
}

#[test]
fn a_line_that_leaves_out_a_cell_gives_no_column_the_value_of_another() {
    let short = |row: usize| (row > 11).then(|| format!("{row}.0,3000,0.84,11"));
    let lambda = |text: &str| floats(&table(text).columns[3].values.whole());
    let target = |text: &str| floats(&table(text).columns[4].values.whole());
    let text = rows_of_five(short);
    assert_eq!((lambda(&text)[11], lambda(&text)[12]), (Some(0.84), None));
    assert!(noted(&table(&text), "which column each belongs to is not known"));
    assert_eq!(table(&text).rows, 20);
    let lost = |text: &str| table(text).source.cut_short.map(|cut| (cut.why, cut.row_only));
    assert!(lost(&text).is_some_and(|(why, row_only)| why.ends_with(": 8") && !row_only));
    let one = rows_of_five(|row| (row == 9).then(|| "0.9,3000,0.84,11".to_owned()));
    assert!(lost(&one).is_some_and(|(why, row_only)| why.ends_with(": 1") && row_only));
    let marked = rows_of_five(|row| (row > 11).then(|| format!("#{row}.0,3000,80,0.84,11")));
    assert!(lost(&marked).is_some_and(|(why, row_only)| why.ends_with("left out: 8") && !row_only));
    let marked = marked.replace("\n#", "\n//");
    assert!(lost(&marked).is_some_and(|(why, row_only)| why.ends_with("left out: 8") && !row_only));
    for mark in ["##", "# ", "///", "#;"] {
        let marked = marked.replace("\n//", &format!("\n{mark}")).replace(",80,", ",,");
        assert!(lost(&marked).is_some_and(|(why, _)| why.ends_with("left out: 8")), "{mark}");
    }
    let behind = marked.replace("\n//12", "\n# pit stop\r12").replace("\n//", "\r");
    assert!(lost(&behind).is_some_and(|(why, row_only)| why.contains("behind others") && !row_only));
    // One too many: thousands with a comma.
    let text = rows_of_five(|row| (row > 16).then(|| format!("{row}.0,3,000,80,0.84,11")));
    assert_eq!((lambda(&text)[17], target(&text)[17], target(&text)[16]), (None, None, Some(11.0)));
    // Where every cell has its delimiter the missing ones are the last.
    let marked = |row: usize| if row == 3 { Some("0.3,,80,0.84,11".to_owned()) } else { short(row) };
    assert_eq!(lambda(&rows_of_five(marked))[12], Some(11.0));
    // What no line has is missing from all of them.
    let named = rows_of_five(|_| None).replace("Target\n", "Target,Remark,Flag\n");
    assert_eq!((target(&named)[19].is_some(), lost(&named)), (true, None));
    let seconds = rows_of_five(|row| Some(format!("0.{row:02},3000,80,0.8{},47°22'10.0\"N", row % 10)));
    assert_eq!((table(&seconds).columns.len(), lambda(&seconds)[19]), (5, Some(0.89)));
    // A last line that breaks off is another matter.
    let broken = rows_of_five(|_| None) + "2.0,3000";
    assert_eq!((table(&broken).rows, lambda(&broken)[19].is_some()), (20, true));
}

#[test]
fn a_header_repeated_in_mid_file_is_a_restart() {
    let head = "Logger: box\nt;a\ns;V\n";
    let table = table(&format!("{head}0;1\n1;2\n2;3\n{head}0;4\n1;5\n"));
    assert_eq!(table.restarts, [3]);
    assert_eq!(floats(&table.columns[1].values.whole()).len(), 5);
    assert!(noted(&table, "started again"));
}

#[test]
fn a_last_line_that_breaks_off_is_left_out() {
    let table = table("t,a,b\n0,1,2\n1,3,4\n2,5");
    assert_eq!(table.rows, 2);
    let note = table.notes.iter().find(|note| note.text.contains("breaks off")).expect("note");
    assert_eq!(note.line, Some(4));
    assert_eq!(super::tests::table("t,a\n0,1\n1,3").rows, 2);
}

#[test]
fn quoted_cells_may_hold_delimiters_and_line_ends() {
    let table = table("a,b\n1,\"x, y\nz \"\"q\"\"\"\n2,w\n\n3,\"\"\n");
    assert_eq!(texts(&table.columns[1].values.whole()), [Some("x, y\nz \"q\""), Some("w"), None]);
    assert_eq!(floats(&table.columns[0].values.whole()), [Some(1.0), Some(2.0), Some(3.0)]);
}

/// Lines and rows count on from part to part, whatever a part ends with.
#[test]
fn quoted_text_is_the_same_in_parts() {
    let read = |text: &str, bytes: usize| {
        let head = header::find(text.as_bytes(), None).expect("a header");
        let (layout, body) = (Layout::of(&head, text.as_bytes()), &text.as_bytes()[head.body..]);
        let mut whole = quoted::rows(body, &layout, &[Kind::Number, Kind::Text], bytes);
        let shape = shape_of(&mut whole, false, &layout);
        let ragged: Vec<_> = shape.ragged.iter().map(|ragged| (ragged.line, ragged.found)).collect();
        let cells = whole.cells.into_iter().map(|cells| match cells::finish(cells, &OnceLock::new()) {
            Joined::Done(done) => format!("{:?}", (done.values.whole(), done.odd, done.first_null_word)),
            _ => "again".to_owned(),
        });
        (shape.rows, shape.restarts, ragged, shape.comments, shape.cut_short, cells.collect::<Vec<_>>())
    };
    let text = "a,b\n1,\"x,\ny\"\n2,w,7\n# so\n\n3,\"\"\na,b\n4,\"2\n3\"\nn/a,z\n5";
    let (rows, restarts, ragged, comments, cut_short, _) = read(text, 1_000);
    assert_eq!((rows, &restarts[..], &ragged[..], cut_short), (5, &[3][..], &[(2, 3)][..], Some(10)));
    assert_eq!(comments, ["# so"]);
    for text in [text, &format!("{text}\n# end\n")] {
        let once = read(text, 1_000);
        for bytes in [1, 8, 20, 40] {
            assert_eq!(read(text, bytes), once, "{bytes}");
        }
    }
}

#[test]
fn a_quote_left_open_does_not_swallow_the_file() {
    assert_eq!(table("t,a\n0,\"1\n1,2\n2,3\n3,4\n").rows, 4);
}

#[test]
fn quoted_decimal_commas_are_numbers() {
    let table = table("\"t\",\"a\"\n\"0,1\",\"14,7\"\n\"0,2\",\"14,8\"\n");
    assert_eq!(floats(&table.columns[1].values.whole()), [Some(14.7), Some(14.8)]);
}

#[test]
fn runs_of_blanks_tabs_and_pipes_separate_cells() {
    for text in [
        "t  a\n 0.1   1\n 0.2  12\n 0.3 13\n",
        "t\ta\n0.1\t1\n0.2\t12\n0.3\t13\n",
        "t|a\n0.1|1\n0.2|12\n0.3|13\n",
    ] {
        let table = table(text);
        assert_eq!(floats(&table.columns[0].values.whole()), [Some(0.1), Some(0.2), Some(0.3)], "{text}");
        assert_eq!(floats(&table.columns[1].values.whole()), [Some(1.0), Some(12.0), Some(13.0)], "{text}");
    }
}

#[test]
fn windows_line_ends_and_trailing_delimiters_change_nothing() {
    let table = table("t;a;\r\n0;1;\r\n1;2;\r\n\r\n2;3;\r\n");
    assert_eq!(table.columns.len(), 2);
    assert_eq!(floats(&table.columns[1].values.whole()), [Some(1.0), Some(2.0), Some(3.0)]);
    assert!(!noted(&table, "in place of"));
}

#[test]
fn comments_between_the_rows_are_kept_aside() {
    let table = table("t,a\n0,1\n# marker: corner 3\n1,2\n");
    assert_eq!(table.rows, 2);
    assert!(table.metadata.contains(&("comment".to_owned(), "# marker: corner 3".to_owned())));
}

#[test]
fn on_and_off_are_truths_and_said_to_be() {
    let table = table("t,fan\n0,on\n1,OFF\n2,\n");
    let fan: Vec<_> = table.columns[1].values.whole().as_boolean().iter().collect();
    assert_eq!(fan, [Some(true), Some(false), None]);
    assert!(noted(&table, "`on` and `off`"));
}

#[test]
fn packed_text_is_read_and_named_so() {
    let text = b"t,a\n0,1\n1,2\n";
    let gzip = table_of(&super::super::compress::tests::gzip(text));
    let zstd = table_of(&super::super::compress::tests::zstd(text));
    assert_eq!((gzip.rows, gzip.source.format.as_str()), (2, "text+gzip"));
    assert_eq!((zstd.rows, zstd.source.format.as_str()), (2, "text+zstd"));
}

#[test]
fn what_cannot_be_read_is_one_clear_error() {
    for (bytes, problem) in [
        (&b""[..], "the file is empty"),
        (b"\n \n", "the file is empty"),
        (b"t,a,b\n", "no row of data"),
        (b"\0\0\0\0", "nothing but NUL bytes"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR\x01\x02\x03\x04\x05\x06", "neither a text log"),
        (b"PK\x03\x04....", "an archive"),
    ] {
        let error = error(bytes);
        assert!(error.starts_with("cannot read test.csv") && error.contains(problem), "{error}");
        assert!(error.contains("\n  found: ") && error.contains("\n  help: "), "{error}");
    }
}

#[test]
fn one_row_and_one_column_are_a_table() {
    assert_eq!(table("t,a\n0,1\n").rows, 1);
    let one = table("value\n1.0\n2.0\n");
    assert_eq!((one.columns.len(), one.rows), (1, 2));
}

#[test]
fn chunks_give_what_one_piece_gives() {
    let mut text = "t,a,w\n".to_owned();
    for row in 0..300_000 {
        let word = if row % 3 == 0 { "x" } else { "yy" };
        writeln!(text, "{}.{:02},{},{word}", row / 100, row % 100, row * 7 % 1013).expect("write");
    }
    assert!(text.len() > CHUNK_BYTES * 2);
    let table = table(&text);
    assert_eq!(table.rows, 300_000);
    assert_eq!(floats(&table.columns[0].values.whole())[299_999], Some(2999.99));
    assert_eq!(floats(&table.columns[1].values.whole())[150_000], Some(f64::from(150_000 * 7 % 1013)));
    assert_eq!(texts(&table.columns[2].values.whole())[150_001], Some("yy"));
}

#[test]
fn empty_cells_before_the_first_value_are_counted_wherever_it_comes() {
    // A value in the first, a middle and the last of several pieces, one in the row that breaks off, and none.
    let rows = 40_000;
    let mut text = "t,first,middle,last,never,cut,integer\n".to_owned();
    let at = |row: usize, place: usize, value: &'static str| if row == place { value } else { "" };
    for row in 0..rows {
        let (first, middle, last) = (at(row, 0, "0.5"), at(row, 20_000, "1.5"), at(row, rows - 1, "2.5"));
        writeln!(text, "{row},{first},{middle},{last},,,{}", at(row, 30_000, "7")).expect("write");
    }
    assert!(text.len() > CHUNK_BYTES * 3);
    text.push_str("1,,,,,9");
    let table = table(&text);
    let filled = |column: usize| -> Vec<(usize, f64)> {
        let values = floats(&table.columns[column].values.whole());
        assert_eq!(values.len(), rows);
        values.into_iter().enumerate().filter_map(|(row, value)| Some((row, value?))).collect()
    };
    assert_eq!(filled(1), [(0, 0.5)]);
    assert_eq!(filled(2), [(20_000, 1.5)]);
    assert_eq!(filled(3), [(rows - 1, 2.5)]);
    assert_eq!((filled(4), filled(5)), (vec![], vec![]));
    assert_eq!(filled(6), [(30_000, 7.0)]);
    assert_eq!(*table.columns[6].values.data_type(), DataType::Int64);
}

#[test]
fn whole_numbers_that_decimals_round_are_told() {
    let told = |cells: &[&str]| -> Vec<(Option<u64>, String)> {
        let rows: Vec<String> = cells.iter().enumerate().map(|(row, cell)| format!("{row},{cell}")).collect();
        let notes = table(&format!("t,a\n{}\n", rows.join("\n"))).notes.into_iter();
        notes.filter(|note| note.text.starts_with(ROUNDED)).map(|note| (note.line, note.text)).collect()
    };
    let two = told(&["1.5", "9007199254740993", "9007199254740994", "-9007199254740995"]);
    assert_eq!(two.len(), 1);
    assert_eq!(two[0].0, Some(3));
    assert!(two[0].1.contains("2 whole numbers") && two[0].1.contains("9007199254740993"), "{two:?}");
    // Whole numbers alone keep every digit, and a double holds these.
    assert!(told(&["1", "9007199254740993", "9007199254740995"]).is_empty());
    assert!(told(&["1.5", "9007199254740992", "1800000000000000000", "0.10000000000000000555"]).is_empty());
    assert_eq!(told(&["1.5", "18446744073709551617"]).len(), 1);
    // The row that breaks off is left out with its number.
    assert!(
        !table("t,a,b\n0,1.5,1\n1,9007199254740993").notes.iter().any(|note| note.text.starts_with(ROUNDED))
    );
}
