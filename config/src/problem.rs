//! What is wrong with a file, where, and what to do: kept, sorted, and printed like a compiler does.
//!
//! Nothing here knows the file format. Every problem has one hint.

use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use serde::{Serialize, Serializer};
use std::fmt;

/// One text file of a line folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SourceFile {
    /// Path relative to the line folder, with forward slashes: "recipes/blue-corn-rounds.toml".
    pub path: String,
    /// Its whole text.
    pub text: String,
}

/// A run of bytes in one file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Span {
    /// Index into the list of files.
    pub(crate) file: usize,
    /// First byte.
    pub(crate) start: usize,
    /// One past the last byte.
    pub(crate) end: usize,
}

/// A value and where it is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct At<T> {
    /// The value.
    pub(crate) value: T,
    /// Where it is written.
    pub(crate) at: Span,
}

/// What kind of mistake; its number never changes meaning.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Code {
    /// C001: a folder or file is missing or empty.
    Missing,
    /// C002: a file can't be read as text.
    Unreadable,
    /// C003: the text is no TOML.
    Syntax,
    /// C004: a key or table that does not exist.
    UnknownKey,
    /// C005: a key or table that must be there is not.
    MissingKey,
    /// C006: a value of another type.
    WrongType,
    /// C007: a word that is not in the list of accepted words, or an empty text.
    Word,
    /// C008: a quantity without a unit, with an unknown unit or of another dimension.
    Quantity,
    /// C009: a number outside what is accepted.
    OutOfBounds,
    /// C010: a name that is taken.
    Duplicate,
    /// C011: a name that nothing has.
    UnknownName,
    /// C012: registers: no place, two places, or a place that does not fit the encoding.
    Place,
    /// C013: two signals in the same registers.
    Overlap,
    /// C014: widths of a recipe that do not nest.
    Widths,
    /// C015: an alarm record that is incomplete, or settings that can't work.
    Alarm,
    /// C016: an address that does not fit its purpose.
    Address,
    /// C017: more than this version holds.
    Capacity,
    /// C018: two values that contradict each other.
    Conflict,
    /// C101: described, but this version does not act on it.
    NotYet,
    /// C102: a file in the folder that nothing reads.
    NotRead,
    /// C103: a choice that is allowed and deserves a second look.
    SecondLook,
    /// C104: a recipe that is not held now lacks what an alarm needs.
    OtherRecipe,
}

impl Code {
    /// Every code.
    pub const ALL: [Self; 22] = [
        Self::Missing,
        Self::Unreadable,
        Self::Syntax,
        Self::UnknownKey,
        Self::MissingKey,
        Self::WrongType,
        Self::Word,
        Self::Quantity,
        Self::OutOfBounds,
        Self::Duplicate,
        Self::UnknownName,
        Self::Place,
        Self::Overlap,
        Self::Widths,
        Self::Alarm,
        Self::Address,
        Self::Capacity,
        Self::Conflict,
        Self::NotYet,
        Self::NotRead,
        Self::SecondLook,
        Self::OtherRecipe,
    ];

    /// The code as people quote it: "C012".
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Missing => "C001",
            Self::Unreadable => "C002",
            Self::Syntax => "C003",
            Self::UnknownKey => "C004",
            Self::MissingKey => "C005",
            Self::WrongType => "C006",
            Self::Word => "C007",
            Self::Quantity => "C008",
            Self::OutOfBounds => "C009",
            Self::Duplicate => "C010",
            Self::UnknownName => "C011",
            Self::Place => "C012",
            Self::Overlap => "C013",
            Self::Widths => "C014",
            Self::Alarm => "C015",
            Self::Address => "C016",
            Self::Capacity => "C017",
            Self::Conflict => "C018",
            Self::NotYet => "C101",
            Self::NotRead => "C102",
            Self::SecondLook => "C103",
            Self::OtherRecipe => "C104",
        }
    }

    /// Whether it stops the line from being loaded.
    #[must_use]
    pub const fn severity(self) -> Severity {
        let is_warning = matches!(self, Self::NotYet | Self::NotRead | Self::SecondLook | Self::OtherRecipe);
        if is_warning { Severity::Warning } else { Severity::Error }
    }
}

/// Whether a problem stops the line from being loaded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// The line is refused.
    Error,
    /// The line is loaded all the same.
    Warning,
}

impl Severity {
    /// The word people read.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Error => "error",
            Self::Warning => "warning",
        }
    }
}

/// Where a problem is: at bytes of a file, or at a path as a whole.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Spot {
    /// At bytes of a file.
    Span(Span),
    /// At a file or folder as a whole.
    Path(String),
}

/// One mistake.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Problem {
    pub(crate) code: Code,
    pub(crate) at: Spot,
    pub(crate) message: String,
    pub(crate) hint: String,
    /// A second place with what is there.
    pub(crate) also: Option<(Span, String)>,
}

/// All that is wrong with a line folder, in the order of files and lines.
#[derive(Clone, PartialEq, Eq, Default)]
pub struct Problems {
    files: Vec<File>,
    list: Vec<Problem>,
}

/// A file with the places its lines start at.
#[derive(Clone, PartialEq, Eq)]
struct File {
    path: String,
    text: String,
    line_starts: Vec<usize>,
}

/// One problem as programs read it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ProblemEntry {
    /// File or folder.
    pub path: String,
    /// Line, from 1; absent when the whole file is meant.
    pub line: Option<usize>,
    /// Column in characters, from 1; absent when the whole file is meant.
    pub column: Option<usize>,
    /// Stable code: "C012".
    pub code: &'static str,
    /// Whether it stops the line from being loaded.
    pub severity: Severity,
    /// What was found.
    pub message: String,
    /// What to do.
    pub hint: String,
}

/// Most problems that are shown to a person in one go.
const MOST_SHOWN: usize = 300;

impl Problems {
    /// Sorted by path, line and column; equal ones once.
    pub(crate) fn new(files: &[SourceFile], mut list: Vec<Problem>) -> Self {
        let path = |file: usize| files.get(file).map_or("", |file| &file.path);
        let key = |problem: &Problem| match &problem.at {
            Spot::Path(path) => (path.clone(), 0),
            Spot::Span(span) => (path(span.file).to_owned(), span.start),
        };
        list.sort_by_cached_key(key);
        list.dedup();
        Self { files: files.iter().map(File::of).collect(), list }
    }

    /// A single problem with a path as a whole.
    pub(crate) fn of_path(code: Code, path: &str, message: String, hint: String) -> Problem {
        Problem { code, at: Spot::Path(path.to_owned()), message, hint, also: None }
    }

    /// Whether nothing is wrong.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// How many problems there are, warnings included.
    #[must_use]
    pub fn len(&self) -> usize {
        self.list.len()
    }

    /// How many stop the line from being loaded.
    #[must_use]
    pub fn error_count(&self) -> usize {
        self.list.iter().filter(|problem| problem.code.severity() == Severity::Error).count()
    }

    /// How many do not.
    #[must_use]
    pub fn warning_count(&self) -> usize {
        self.len() - self.error_count()
    }

    /// Each problem as programs read it.
    #[must_use]
    pub fn entries(&self) -> Vec<ProblemEntry> {
        self.list.iter().map(|problem| self.entry(problem)).collect()
    }

    /// The problems for people, one blank line between two; colours only when asked. A flood is cut, and says by how much.
    #[must_use]
    pub fn render(&self, color: bool) -> String {
        let renderer = if color { Renderer::styled() } else { Renderer::plain() };
        let mut text = String::new();
        for problem in self.list.iter().take(MOST_SHOWN) {
            if !text.is_empty() {
                text.push('\n');
            }
            text.push_str(&self.render_one(problem, &renderer));
            text.push('\n');
        }
        if let Some(more) = self.len().checked_sub(MOST_SHOWN).filter(|more| *more > 0) {
            text.push_str(&format!("\nand {more} more: mend these first, then check again\n"));
        }
        text
    }

    /// The same with every path below `folder`, as the person at the keyboard would type it.
    #[must_use]
    pub(crate) fn below(mut self, folder: &std::path::Path) -> Self {
        for file in &mut self.files {
            file.path = folder.join(&file.path).display().to_string();
        }
        for problem in &mut self.list {
            if let Spot::Path(path) = &mut problem.at {
                let full = if path.is_empty() { folder.to_path_buf() } else { folder.join(&path) };
                *path = full.display().to_string();
            }
        }
        self
    }

    /// Adds the problems of `more`, which are about paths as a whole.
    pub(crate) fn with(mut self, more: Vec<Problem>) -> Self {
        self.list.splice(0..0, more);
        self
    }

    /// Leaves out that a file is missing where `unreadable` says why it could not be read.
    pub(crate) fn without_missing(mut self, unreadable: &[Problem]) -> Self {
        let is_explained = |problem: &Problem| match &problem.at {
            Spot::Path(path) => unreadable.iter().any(|other| match &other.at {
                Spot::Path(other) => other.starts_with(path.as_str()),
                Spot::Span(_) => false,
            }),
            Spot::Span(_) => false,
        };
        self.list.retain(|problem| problem.code != Code::Missing || !is_explained(problem));
        self
    }

    fn entry(&self, problem: &Problem) -> ProblemEntry {
        let (path, line, column) = match &problem.at {
            Spot::Path(path) => (path.clone(), None, None),
            Spot::Span(span) => {
                let (line, column) = self.line_and_column(*span);
                (self.path(*span).to_owned(), Some(line), Some(column))
            }
        };
        ProblemEntry {
            path,
            line,
            column,
            code: problem.code.name(),
            severity: problem.code.severity(),
            message: problem.message.clone(),
            hint: problem.hint.clone(),
        }
    }

    fn path(&self, span: Span) -> &str {
        self.files.get(span.file).map_or("", |file| &file.path)
    }

    fn line_and_column(&self, span: Span) -> (usize, usize) {
        self.files.get(span.file).map_or((1, 1), |file| file.line_and_column(span.start))
    }

    fn window(&self, span: Span) -> Window<'_> {
        let nowhere = Window { text: "", line: 1, start: 0, end: 0 };
        self.files.get(span.file).map_or(nowhere, |file| file.window(span))
    }

    fn place(&self, problem: &Problem) -> String {
        match &problem.at {
            Spot::Path(path) => path.clone(),
            Spot::Span(span) => {
                let (line, column) = self.line_and_column(*span);
                format!("{}:{line}:{column}", self.path(*span))
            }
        }
    }

    fn render_one(&self, problem: &Problem, renderer: &Renderer) -> String {
        let severity = problem.code.severity();
        let level = match severity {
            Severity::Error => Level::ERROR,
            Severity::Warning => Level::WARNING,
        };
        let (place, code) = (self.place(problem), problem.code.name());
        let title = format!("{place}: {}[{code}]: {}", severity.name(), problem.message);
        let Spot::Span(span) = &problem.at else {
            // About a path as a whole: there is no line to frame.
            let title = renderer.render(&[Group::with_title(level.no_name().primary_title(title))]);
            return format!("{title}\n  = hint: {}", problem.hint);
        };
        let mut group = Group::with_title(level.no_name().primary_title(title))
            .element(self.window(*span).snippet(AnnotationKind::Primary, None));
        if let Some((span, label)) = &problem.also {
            let snippet = self.window(*span).snippet(AnnotationKind::Context, Some(label));
            group = group.element(snippet.path(self.path(*span).to_owned()));
        }
        group = group.element(Level::HELP.with_name("hint").message(&problem.hint));
        renderer.render(&[group])
    }
}

impl File {
    fn of(source: &SourceFile) -> Self {
        let text = source.text.clone();
        let line_starts =
            std::iter::once(0).chain(text.match_indices('\n').map(|(index, _)| index + 1)).collect();
        Self { path: source.path.clone(), text, line_starts }
    }

    /// Line from 1, and the place it starts at.
    fn line_at(&self, index: usize) -> (usize, usize) {
        let line = self.line_starts.partition_point(|start| *start <= index);
        (line, self.line_starts.get(line.saturating_sub(1)).copied().unwrap_or(0))
    }

    /// Line and column in characters, both from 1.
    fn line_and_column(&self, index: usize) -> (usize, usize) {
        let index = floor_boundary(&self.text, index);
        let (line, line_start) = self.line_at(index);
        (line, self.text.get(line_start..index).unwrap_or_default().chars().count() + 1)
    }

    /// The line that the span starts in, with the part of the span that is on it.
    fn window(&self, span: Span) -> Window<'_> {
        let start = floor_boundary(&self.text, span.start);
        let (line, line_start) = self.line_at(start);
        // A line without end is shown around the place.
        let from = floor_boundary(&self.text, line_start.max(start.saturating_sub(Window::BEFORE)));
        let to = floor_boundary(&self.text, start + Window::AFTER);
        let text = self.text.get(from..to).unwrap_or_default().lines().next().unwrap_or_default();
        let start = (start - from).min(text.len());
        let end = floor_boundary(text, span.end.saturating_sub(from)).max(start);
        Window { text, line, start, end }
    }
}

/// One line of a file, or what is near a place in it.
struct Window<'a> {
    text: &'a str,
    line: usize,
    start: usize,
    end: usize,
}

impl<'a> Window<'a> {
    /// Most bytes shown before and after a place.
    const BEFORE: usize = 400;
    const AFTER: usize = 600;

    fn snippet(
        &self,
        kind: AnnotationKind,
        label: Option<&'a str>,
    ) -> Snippet<'a, annotate_snippets::Annotation<'a>> {
        let annotation = kind.span(self.start..self.end).label(label);
        Snippet::source(self.text).line_start(self.line).annotation(annotation)
    }
}

fn floor_boundary(text: &str, index: usize) -> usize {
    let index = index.min(text.len());
    (0..=index).rev().find(|index| text.is_char_boundary(*index)).unwrap_or(0)
}

/// `text` in backticks for a message: control characters escaped, cut when long.
pub(crate) fn quoted(text: &str) -> String {
    const LONGEST: usize = 60;
    let shown: String = text.chars().take(LONGEST).map(show_char).collect();
    let more = if text.chars().count() > LONGEST { "..." } else { "" };
    format!("`{shown}{more}`")
}

fn show_char(letter: char) -> String {
    if letter.is_control() { letter.escape_default().to_string() } else { letter.to_string() }
}

impl Serialize for Problems {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.entries().serialize(serializer)
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render(false))
    }
}

impl fmt::Debug for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl std::error::Error for Problems {}
