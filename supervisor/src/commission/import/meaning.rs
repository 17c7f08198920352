//! What a column of a register list can mean, told by its header or by `--map`.

/// What a column can mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Meaning {
    /// ISA-5.1 tag.
    Tag,
    /// Name for people.
    Name,
    /// Address of the first register.
    Address,
    /// Which of the four tables, or a function code.
    Table,
    /// Type of the number.
    Type,
    /// Order of words and bytes.
    Order,
    /// Value of one count.
    Scale,
    /// By what the register is divided.
    Divisor,
    /// Implied decimals.
    Decimals,
    /// Value at count zero.
    Offset,
    /// Unit.
    Unit,
    /// Lowest value.
    Low,
    /// Highest value.
    High,
    /// Lowest and highest in one cell.
    Range,
    /// Which bit of the register.
    Bit,
    /// Whether it can be written.
    Access,
    /// Which device.
    Controller,
    /// Which station.
    Station,
    /// Counts that mean "no value".
    NoValue,
    /// Nothing: the column is left aside.
    Ignore,
}

/// Every meaning with the word for `--map`, and headers that are taken for it: letters and digits only, lower case.
const MEANINGS: [(Meaning, &str, &[&str]); 20] = [
    (Meaning::Tag, "tag", &["tag", "tagname", "isatag", "loop", "kks", "messstelle", "signal", "id"]),
    (
        Meaning::Name,
        "name",
        &[
            "name",
            "description",
            "desc",
            "text",
            "parameter",
            "variable",
            "beschreibung",
            "bezeichnung",
            "descripcion",
            "designation",
            "signalname",
        ],
    ),
    (
        Meaning::Address,
        "address",
        &[
            "address",
            "addr",
            "adr",
            "register",
            "reg",
            "registeraddress",
            "modbusaddress",
            "modbusregister",
            "registernumber",
            "registerno",
            "regno",
            "number",
            "offset0based",
            "pduaddress",
            "address0based",
            "address1based",
            "adresse",
            "registeradresse",
            "direccion",
            "hexaddress",
            "addresshex",
            "startaddress",
        ],
    ),
    (
        Meaning::Table,
        "table",
        &[
            "table",
            "function",
            "fc",
            "functioncode",
            "registertype",
            "area",
            "objecttype",
            "funktion",
            "block",
        ],
    ),
    (
        Meaning::Type,
        "type",
        &["type", "datatype", "format", "dataformat", "encoding", "datentyp", "typ", "tipo"],
    ),
    (Meaning::Order, "order", &["order", "wordorder", "byteorder", "endian", "endianness", "swap"]),
    (
        Meaning::Scale,
        "scale",
        &[
            "scale",
            "factor",
            "scaling",
            "gain",
            "multiplier",
            "resolution",
            "faktor",
            "skalierung",
            "slope",
            "escala",
            "lsb",
            "auflösung",
            "aufloesung",
        ],
    ),
    (Meaning::Divisor, "divisor", &["divisor", "divideby", "div", "divider"]),
    (
        Meaning::Decimals,
        "decimals",
        &["decimals", "decimalplaces", "decimal", "dp", "nachkommastellen", "decimalpoint"],
    ),
    (Meaning::Offset, "offset", &["offset", "bias", "zero", "intercept"]),
    (Meaning::Unit, "unit", &["unit", "units", "uom", "eu", "engineeringunit", "einheit", "unidad"]),
    (
        Meaning::Low,
        "low",
        &[
            "low",
            "min",
            "minimum",
            "lo",
            "rangelow",
            "rangemin",
            "rangefrom",
            "lowest",
            "von",
            "messbereichvon",
            "messbereichmin",
            "bereichvon",
            "lowlimit",
            "minvalue",
        ],
    ),
    (
        Meaning::High,
        "high",
        &[
            "high",
            "max",
            "maximum",
            "hi",
            "rangehigh",
            "rangemax",
            "rangeto",
            "highest",
            "bis",
            "messbereichbis",
            "messbereichmax",
            "bereichbis",
            "highlimit",
            "maxvalue",
        ],
    ),
    (Meaning::Range, "range", &["range", "bereich", "valuerange", "rango", "messbereich"]),
    (Meaning::Bit, "bit", &["bit", "bitno", "bitnumber", "bitposition"]),
    (Meaning::Access, "access", &["access", "rw", "readwrite", "mode", "zugriff", "permission", "acceso"]),
    (Meaning::Controller, "controller", &["controller", "plc", "device", "sps", "unitname", "equipo"]),
    (Meaning::Station, "station", &["station", "section", "machine", "anlage", "bereichname", "estacion"]),
    (
        Meaning::NoValue,
        "no-value",
        &["novalue", "errorvalue", "invalid", "invalidvalue", "faultcode", "errorcode", "nan"],
    ),
    (
        Meaning::Ignore,
        "ignore",
        &["remark", "remarks", "comment", "comments", "note", "notes", "bemerkung", "default"],
    ),
];

/// Words of a longer header that is of something else: "No. of registers", "Signal type".
const NEVER_IN: [(Meaning, &[&str]); 2] = [
    (Meaning::Address, &["noof", "numberof", "count", "length", "quantity", "size", "anzahl"]),
    (Meaning::Tag, &["type", "typ"]),
];

impl Meaning {
    /// The word for `--map`.
    #[must_use]
    pub fn word(self) -> &'static str {
        MEANINGS.iter().find(|(meaning, _, _)| *meaning == self).map_or("ignore", |(_, word, _)| word)
    }
}

/// `COLUMN=MEANING` of the command line.
///
/// # Errors
/// What was found and what is accepted.
pub fn read_map(text: &str) -> Result<(String, Meaning), String> {
    let words: Vec<&str> = MEANINGS.iter().map(|(_, word, _)| *word).collect();
    let Some((column, word)) = text.rsplit_once('=') else {
        return Err(format!("`{text}` has no `=`; write COLUMN=MEANING, such as \"Reg. no.=address\""));
    };
    let found = MEANINGS.iter().find(|(_, name, _)| *name == word.trim());
    let meaning = found.map(|(meaning, _, _)| *meaning);
    meaning.map(|meaning| (column.trim().to_owned(), meaning)).ok_or_else(|| {
        format!("`{}` is nothing that a column can mean; these are: {}", word.trim(), words.join(", "))
    })
}

/// Letters and digits, lower case.
pub(super) fn plain(text: &str) -> String {
    text.chars().filter(|letter| letter.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

pub(super) fn by_header(header: &str) -> Option<Meaning> {
    by_whole_header(header).or_else(|| {
        let header = plain(header);
        // "Register address (hex)", "Scaling factor [K/bit]"; but not "No. of registers", "Signal type"
        let is_other = |meaning: Meaning| {
            let words = NEVER_IN.iter().filter(|(of, _)| *of == meaning).flat_map(|(_, words)| *words);
            words.into_iter().any(|word| header.contains(word))
        };
        let within = |names: &[&str]| names.iter().any(|name| name.len() >= 5 && header.contains(name));
        let found = MEANINGS.iter().find(|(meaning, _, names)| within(names) && !is_other(*meaning));
        found.map(|(meaning, _, _)| *meaning)
    })
}

/// The meaning of a header that is one of the known words, and nothing besides.
pub(super) fn by_whole_header(header: &str) -> Option<Meaning> {
    let header = plain(header);
    let found = MEANINGS.iter().find(|(_, _, names)| names.contains(&header.as_str()));
    found.map(|(meaning, _, _)| *meaning)
}
