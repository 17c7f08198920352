//! Signals over time as a PNG, for mail and reports: the same drawing as the SVG, with line, range and zone in the picture.
//!
//! Letters are the Latin ones of a built-in font: a machine without a screen has no others. What it lacks shows as "?".

use super::plot::{Curve, decimals};
use super::window::local;
use embedded_graphics::mono_font::iso_8859_1::{FONT_9X15, FONT_10X20};
use embedded_graphics::mono_font::{MonoFont, MonoTextStyle};
use embedded_graphics::pixelcolor::{Rgb888, RgbColor as _};
use embedded_graphics::prelude::{
    DrawTarget, Drawable as _, OriginDimensions, Pixel, Point, Primitive as _, Size,
};
use embedded_graphics::primitives::{Line, PrimitiveStyle, Rectangle};
use embedded_graphics::text::{Alignment, Baseline, Text, TextStyleBuilder};
use jiff::tz::TimeZone;
use setward_protocol::UtcMillis;
use std::convert::Infallible;

const WIDTH: u32 = 1500;
const HEAD: i32 = 56;
const HEIGHT: i32 = 340;
const LEFT: i32 = 100;
const RIGHT: i32 = 1480;
const TOP: i32 = 34;
const BOTTOM: i32 = 290;

/// Columns that a picture is worth: one a pixel.
pub(crate) const COLUMNS: usize = (RIGHT - LEFT) as usize;

/// As many usual distances may be missing before it is a gap, as with polls.
const JOINED: usize = 3;

const GROUND: Rgb888 = Rgb888::new(0xf4, 0xf4, 0xf4);
const PAPER: Rgb888 = Rgb888::WHITE;
const FRAME: Rgb888 = Rgb888::new(0x99, 0x99, 0x99);
/// Width of a letter of the smaller font.
const LETTER: i32 = 9;
const SHADE: Rgb888 = Rgb888::new(0xe9, 0xe9, 0xf2);
const BAND: Rgb888 = Rgb888::new(0xdc, 0xdc, 0xdc);
const ASKED: Rgb888 = Rgb888::new(0x77, 0x77, 0x77);
const EXTREMES: Rgb888 = Rgb888::new(0x8c, 0x8c, 0x8c);
const INK: Rgb888 = Rgb888::new(0x22, 0x22, 0x22);
const OUTSIDE: Rgb888 = Rgb888::new(0x8a, 0x10, 0x20);

/// A stretch of time behind a curve, and what it was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Shade {
    pub(crate) from: UtcMillis,
    pub(crate) to: UtcMillis,
    pub(crate) text: String,
}

/// A picture in memory.
struct Canvas {
    height: u32,
    /// Red, green, blue, row by row.
    bytes: Vec<u8>,
}

impl OriginDimensions for Canvas {
    fn size(&self) -> Size {
        Size::new(WIDTH, self.height)
    }
}

impl DrawTarget for Canvas {
    type Color = Rgb888;
    type Error = Infallible;

    fn draw_iter<I: IntoIterator<Item = Pixel<Rgb888>>>(&mut self, pixels: I) -> Result<(), Infallible> {
        for Pixel(at, colour) in pixels {
            let (Ok(x), Ok(y)) = (u32::try_from(at.x), u32::try_from(at.y)) else { continue };
            let place = (y as usize * WIDTH as usize + x as usize) * 3;
            if x < WIDTH
                && let Some(bytes) = self.bytes.get_mut(place..place + 3)
            {
                bytes.copy_from_slice(&[colour.r(), colour.g(), colour.b()]);
            }
        }
        Ok(())
    }
}

impl Canvas {
    fn new(height: u32) -> Self {
        let mut canvas = Self { height, bytes: vec![0; WIDTH as usize * height as usize * 3] };
        canvas.fill(Point::zero(), Point::new(WIDTH as i32, height as i32), GROUND);
        canvas
    }

    fn fill(&mut self, from: Point, to: Point, colour: Rgb888) {
        let size = Size::new((to.x - from.x).max(0).cast_unsigned(), (to.y - from.y).max(0).cast_unsigned());
        let Ok(()) = Rectangle::new(from, size).into_styled(PrimitiveStyle::with_fill(colour)).draw(self);
    }

    fn line(&mut self, from: Point, to: Point, colour: Rgb888, width: u32) {
        let Ok(()) = Line::new(from, to).into_styled(PrimitiveStyle::with_stroke(colour, width)).draw(self);
    }

    fn text(&mut self, text: &str, at: Point, font: &'static MonoFont<'static>, alignment: Alignment) {
        let style = TextStyleBuilder::new().alignment(alignment).baseline(Baseline::Middle).build();
        let Ok(_end) = Text::with_text_style(text, at, MonoTextStyle::new(font, INK), style).draw(self);
    }

    fn png(&self) -> Result<Vec<u8>, png::EncodingError> {
        let mut out = Vec::new();
        let mut encoder = png::Encoder::new(&mut out, WIDTH, self.height);
        encoder.set_color(png::ColorType::Rgb);
        encoder.set_depth(png::BitDepth::Eight);
        let mut writer = encoder.write_header()?;
        writer.write_image_data(&self.bytes)?;
        writer.finish()?;
        Ok(out)
    }
}

/// The file's bytes: one drawing below the other.
///
/// # Errors
/// When it is more than a picture can hold.
pub(crate) fn png(title: &str, curves: &[Curve], zone: &TimeZone) -> Result<Vec<u8>, String> {
    png_with(title, curves, &[], zone)
}

/// The same with shades behind each curve, in the order of the curves.
///
/// # Errors
/// As [`png`].
pub(crate) fn png_with(
    title: &str,
    curves: &[Curve],
    shades: &[Vec<Shade>],
    zone: &TimeZone,
) -> Result<Vec<u8>, String> {
    let drawings = i32::try_from(curves.len()).map_err(|error| error.to_string())?;
    let mut canvas = Canvas::new((HEAD + HEIGHT * drawings).cast_unsigned());
    canvas.text(title, Point::new(LEFT, 20), &FONT_10X20, Alignment::Left);
    if let Some(curve) = curves.first() {
        let zone_name = zone.iana_name().unwrap_or("UTC");
        let range = format!("{} to {}, times in {zone_name}", short(curve.from, zone), short(curve.to, zone));
        canvas.text(&range, Point::new(LEFT, 44), &FONT_9X15, Alignment::Left);
    }
    for (index, curve) in (0..).zip(curves) {
        let own =
            usize::try_from(index).ok().and_then(|place| shades.get(place)).map_or(&[][..], Vec::as_slice);
        Drawing::new(curve, HEAD + HEIGHT * index).draw(&mut canvas, own, zone);
    }
    canvas.png().map_err(|error| error.to_string())
}

fn short(at: UtcMillis, zone: &TimeZone) -> String {
    local(at, zone).get(..16).unwrap_or_default().to_owned()
}

/// One signal at its place in the picture.
struct Drawing<'a> {
    curve: &'a Curve,
    top: i32,
    low: f64,
    high: f64,
    /// Values at most so many columns apart are joined: readings may come less often than columns.
    joined: usize,
}

impl<'a> Drawing<'a> {
    fn new(curve: &'a Curve, top: i32) -> Self {
        let (low, high) = curve.range();
        Self { curve, top, low, high, joined: JOINED * usual_distance(curve) }
    }

    fn x(&self, column: usize) -> i32 {
        let share = column as f64 / self.curve.columns.len().max(1) as f64;
        LEFT + pixels(share * f64::from(RIGHT - LEFT))
    }

    fn y(&self, value: f64) -> i32 {
        let share = ((value - self.low) / (self.high - self.low)).clamp(0.0, 1.0);
        self.top + BOTTOM - pixels(share * f64::from(BOTTOM - TOP))
    }

    fn draw(&self, canvas: &mut Canvas, shades: &[Shade], zone: &TimeZone) {
        canvas.text(&self.curve.title(), Point::new(LEFT, self.top + 18), &FONT_9X15, Alignment::Left);
        canvas.fill(Point::new(LEFT, self.top + TOP), Point::new(RIGHT, self.top + BOTTOM), PAPER);
        for shade in shades {
            self.shade(canvas, shade);
        }
        for column in 0..self.curve.columns.len() {
            self.asked(canvas, column);
        }
        for column in 0..self.curve.columns.len() {
            self.values(canvas, column);
        }
        self.frame(canvas, zone);
    }

    fn x_of(&self, at: UtcMillis) -> i32 {
        let length = (self.curve.to.0 - self.curve.from.0).max(1) as f64;
        let share = (at.0.saturating_sub(self.curve.from.0) as f64 / length).clamp(0.0, 1.0);
        LEFT + pixels(share * f64::from(RIGHT - LEFT))
    }

    /// A stretch in which the station did something else, grey behind everything, with its word where that has room.
    fn shade(&self, canvas: &mut Canvas, shade: &Shade) {
        let (left, right) = (self.x_of(shade.from), self.x_of(shade.to));
        canvas.fill(
            Point::new(left, self.top + TOP),
            Point::new(right.max(left + 1), self.top + BOTTOM),
            SHADE,
        );
        let room = i32::try_from(shade.text.chars().count()).unwrap_or(i32::MAX).saturating_mul(LETTER);
        if room < right - left {
            let middle = Point::new(left + (right - left) / 2, self.top + TOP + 10);
            canvas.text(&shade.text, middle, &FONT_9X15, Alignment::Center);
        }
    }

    /// What was asked in a column: its tolerance, and its setpoint in dashes.
    fn asked(&self, canvas: &mut Canvas, column: usize) {
        let asked = self.curve.asked(column);
        let (left, right) = (self.x(column), self.x(column + 1));
        if let Some((below, above)) = asked.tolerance {
            canvas.fill(Point::new(left, self.y(above)), Point::new(right, self.y(below)), BAND);
        }
        if let Some(setpoint) = asked.setpoint.filter(|_| left / 8 % 2 == 0) {
            let y = self.y(setpoint);
            canvas.fill(Point::new(left, y), Point::new(right.max(left + 1), y + 2), ASKED);
        }
    }

    /// From lowest to highest, what of it lies outside, and the mean joined with that of the column before.
    fn values(&self, canvas: &mut Canvas, column: usize) {
        let Some(stretch) = self.curve.columns.get(column).filter(|stretch| stretch.samples > 0) else {
            return;
        };
        let x = self.x(column);
        let mut piece = |from: f64, to: f64, colour, width| {
            canvas.line(Point::new(x, self.y(from)), Point::new(x, self.y(to)), colour, width);
        };
        piece(stretch.max, stretch.min, EXTREMES, 1);
        if let Some((below, above)) = self.curve.asked(column).tolerance {
            if stretch.max > above {
                piece(stretch.max, above.max(stretch.min), OUTSIDE, 3);
            }
            if stretch.min < below {
                piece(below.min(stretch.max), stretch.min, OUTSIDE, 3);
            }
        }
        if let Some(mean) = stretch.mean() {
            let to = Point::new(x, self.y(mean));
            canvas.line(self.mean_before(column).unwrap_or(to), to, INK, 2);
        }
    }

    /// The mean that comes before a column, if no gap lies between.
    fn mean_before(&self, column: usize) -> Option<Point> {
        let near = column.saturating_sub(self.joined)..column;
        near.rev().find_map(|before| {
            let mean = self.curve.columns.get(before)?.mean()?;
            Some(Point::new(self.x(before), self.y(mean)))
        })
    }

    fn frame(&self, canvas: &mut Canvas, zone: &TimeZone) {
        let (top, bottom) = (self.top + TOP, self.top + BOTTOM);
        for (from, to) in [
            ((LEFT, top), (RIGHT, top)),
            ((LEFT, bottom), (RIGHT, bottom)),
            ((LEFT, top), (LEFT, bottom)),
            ((RIGHT, top), (RIGHT, bottom)),
        ] {
            canvas.line(Point::new(from.0, from.1), Point::new(to.0, to.1), FRAME, 1);
        }
        let figures = decimals(self.high - self.low);
        for step in 0..=4_i32 {
            let value = self.low + (self.high - self.low) * f64::from(step) / 4.0;
            let at = Point::new(LEFT - 8, self.y(value));
            canvas.text(&format!("{value:.figures$}"), at, &FONT_9X15, Alignment::Right);
            let x = LEFT + (RIGHT - LEFT) * step / 4;
            canvas.line(Point::new(x, bottom), Point::new(x, bottom + 6), FRAME, 1);
            let alignment = match step {
                0 => Alignment::Left,
                4 => Alignment::Right,
                _ => Alignment::Center,
            };
            let curve = self.curve;
            let at = UtcMillis(curve.from.0 + (curve.to.0 - curve.from.0) / 4 * i64::from(step));
            canvas.text(&short(at, zone), Point::new(x, bottom + 18), &FONT_9X15, alignment);
        }
        canvas.text(&self.curve.unit, Point::new(LEFT + 8, top + 12), &FONT_9X15, Alignment::Left);
    }
}

/// How many columns usually lie between two values: the middle one of all distances.
fn usual_distance(curve: &Curve) -> usize {
    let places = (0..).zip(&curve.columns).filter(|(_, stretch)| stretch.samples > 0).map(|(place, _)| place);
    let places: Vec<usize> = places.collect();
    let mut apart: Vec<usize> =
        places.iter().zip(places.iter().skip(1)).map(|(one, next)| next - one).collect();
    apart.sort_unstable();
    apart.get(apart.len() / 2).copied().unwrap_or(1)
}

#[expect(clippy::cast_possible_truncation, reason = "a cast of a float saturates, and a picture is small")]
fn pixels(size: f64) -> i32 {
    size.round() as i32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::history::{KnownBand, Stretch};
    use setward_protocol::Uptime;

    fn curve() -> Curve {
        let stretch = |value: f64| Stretch {
            samples: 2,
            min: value - 1.0,
            max: value + 1.0,
            sum: 2.0 * value,
            good_s: 1.0,
            ..Stretch::EMPTY
        };
        let columns = (0..COLUMNS).map(|column| {
            if (400..500).contains(&column) { Stretch::EMPTY } else { stretch(182.0 - (column / 200) as f64) }
        });
        Curve {
            tag: "TT-310".to_owned(),
            name: "Fryer oil inlet".to_owned(),
            unit: "degC".to_owned(),
            from: UtcMillis(1_795_572_000_000),
            to: UtcMillis(1_795_658_400_000),
            columns: columns.collect(),
            bands: vec![KnownBand {
                run: 1,
                at: Uptime::from_millis(0),
                utc: UtcMillis(0),
                setpoint: Some(182.0),
                tolerance: Some((179.0, 185.0)),
            }],
            axis: None,
        }
    }

    /// Pixels of a colour in a column of the picture.
    fn count(bytes: &[u8], x: i32, colour: Rgb888) -> usize {
        let rows = bytes.chunks(WIDTH as usize * 3);
        let wanted = [colour.r(), colour.g(), colour.b()];
        rows.filter(|row| row[x as usize * 3..x as usize * 3 + 3] == wanted).count()
    }

    #[test]
    fn the_picture_can_be_read_again_and_shows_values_gaps_and_what_lies_outside() {
        let bytes = png("Line 1", &[curve(), curve()], &TimeZone::UTC).unwrap();
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut pixels).unwrap();
        assert_eq!((info.width, info.height), (WIDTH, (HEAD + 2 * HEIGHT) as u32));
        // 182 degC early on lies within; a gap has no value; 176 at the end lies outside.
        assert!(count(&pixels, LEFT + 100, EXTREMES) > 10 && count(&pixels, LEFT + 100, OUTSIDE) == 0);
        assert_eq!(count(&pixels, LEFT + 450, EXTREMES) + count(&pixels, LEFT + 450, INK), 0);
        assert!(count(&pixels, LEFT + 450, BAND) > 100);
        assert!(count(&pixels, RIGHT - 20, OUTSIDE) > 10);
        let ink: usize = (LEFT..LEFT + 60).map(|x| count(&pixels, x, INK)).sum();
        assert!(ink > 60, "title and axes are written: {ink}");
    }

    #[test]
    fn readings_that_come_less_often_than_columns_are_joined() {
        let mut seldom = curve();
        seldom
            .columns
            .iter_mut()
            .enumerate()
            .filter(|(at, _)| at % 7 != 0)
            .for_each(|(_, one)| *one = Stretch::EMPTY);
        assert_eq!(Drawing::new(&seldom, 0).joined, 21);
        let bytes = png("Line 1", &[seldom], &TimeZone::UTC).unwrap();
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut pixels).unwrap();
        assert!((LEFT + 100..LEFT + 110).all(|x| count(&pixels, x, INK) > 0), "a line, not dots");
        assert_eq!(count(&pixels, LEFT + 450, INK), 0, "a gap is one all the same");
    }

    #[test]
    fn a_stop_is_shaded_from_its_beginning_to_its_end_and_nowhere_else() {
        let whole = curve();
        let at = |share: i64| UtcMillis(whole.from.0 + (whole.to.0 - whole.from.0) / 10 * share);
        let stop = Shade { from: at(5), to: at(7), text: "stopped".to_owned() };
        let bytes = png_with("Line 1", std::slice::from_ref(&whole), &[vec![stop]], &TimeZone::UTC).unwrap();
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut pixels).unwrap();
        let place = |share: i32| LEFT + (RIGHT - LEFT) / 10 * share;
        assert!(count(&pixels, place(6), SHADE) > 50);
        assert_eq!(count(&pixels, place(4), SHADE) + count(&pixels, place(8), SHADE), 0);
    }

    #[test]
    fn values_far_outside_the_axis_and_letters_the_font_lacks_break_nothing() {
        let mut strange = curve();
        strange.name = "\u{6cb9} \u{1f525}".to_owned();
        strange.columns[3].max = f64::MAX;
        strange.columns[4].min = f64::MIN;
        assert!(png("\u{7b2c}1\u{7ebf}", &[strange], &TimeZone::UTC).is_ok());
        assert!(png("none", &[], &TimeZone::UTC).is_ok());
    }
}
