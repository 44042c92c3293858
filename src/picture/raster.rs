//! A drawing as pixels, and pixels as PNG.

use tiny_skia::{
    FillRule, LineCap, LineJoin, Mask, Paint, PathBuilder, Pixmap, PixmapPaint, StrokeDash, Transform,
};

use super::drawing::{Anchor, Drawing, Ink, Item, Path, Pixels, Step, Stroke, Text};
use super::font;

/// Most pixels either way: a sheet of A0 at 200 dots an inch.
const MOST: f64 = 9400.0;

impl Drawing {
    /// The page as pixels, `scale` pixels a page unit, so far as it stays under some 9000 pixels either way.
    #[must_use]
    pub fn pixels(&self, scale: f64) -> Pixels {
        let scale = scale.min(MOST / self.width.max(self.height)).max(1e-3);
        let side = |units: f64| (units * scale).round().clamp(1.0, MOST) as u32;
        let (width, height) = (side(self.width), side(self.height));
        let Some(mut page) = Pixmap::new(width, height) else {
            return Pixels { width: 0, height: 0, rgb: Vec::new() };
        };
        page.fill(colour(self.paper));
        let to_page = Transform::from_scale(scale as f32, scale as f32);
        for item in &self.items {
            match item {
                Item::Shape { path, fill, stroke } => shape(&mut page, path, *fill, *stroke, to_page),
                Item::Words(text) => words(&mut page, text, to_page),
                Item::Picture { pixels, at, size, .. } => picture(&mut page, pixels, *at, *size, to_page),
            }
        }
        // Nothing shows through the page, so that colours are whole.
        let rgb = page.pixels().iter().flat_map(|p| [p.red(), p.green(), p.blue()]).collect();
        Pixels { width, height, rgb }
    }
}

fn colour(ink: Ink) -> tiny_skia::Color {
    let [r, g, b] = ink.rgb;
    tiny_skia::Color::from_rgba8(r, g, b, (ink.opacity.clamp(0.0, 1.0) * 255.0).round() as u8)
}

fn paint(ink: Ink) -> Paint<'static> {
    let mut paint = Paint::default();
    paint.set_color(colour(ink));
    paint
}

fn outline(path: &Path) -> Option<tiny_skia::Path> {
    let mut builder = PathBuilder::new();
    for step in &path.0 {
        match *step {
            Step::Move([x, y]) => builder.move_to(x as f32, y as f32),
            Step::Line([x, y]) => builder.line_to(x as f32, y as f32),
            Step::Curve(a, b, c) => {
                builder.cubic_to(
                    a[0] as f32,
                    a[1] as f32,
                    b[0] as f32,
                    b[1] as f32,
                    c[0] as f32,
                    c[1] as f32,
                );
            }
            Step::Close => builder.close(),
        }
    }
    builder.finish()
}

fn shape(page: &mut Pixmap, path: &Path, fill: Option<Ink>, stroke: Option<Stroke>, to_page: Transform) {
    let Some(path) = outline(path) else { return };
    let none: Option<&Mask> = None;
    if let Some(ink) = fill {
        page.fill_path(&path, &paint(ink), FillRule::Winding, to_page, none);
    }
    if let Some(stroke) = stroke {
        let line = tiny_skia::Stroke {
            width: stroke.width as f32,
            line_cap: if stroke.dash.is_some() { LineCap::Butt } else { LineCap::Round },
            line_join: LineJoin::Round,
            dash: stroke.dash.and_then(|(d, g)| StrokeDash::new(vec![d as f32, g as f32], 0.0)),
            ..tiny_skia::Stroke::default()
        };
        page.stroke_path(&path, &paint(stroke.ink), &line, to_page, none);
    }
}

fn words(page: &mut Pixmap, text: &Text, to_page: Transform) {
    let wide = font::width(&text.said, text.size, text.weight);
    let x = match text.anchor {
        Anchor::Start => text.at[0],
        Anchor::Middle => text.at[0] - 0.5 * wide,
        Anchor::End => text.at[0] - wide,
    };
    let path = font::outlines(&text.said, [x, text.at[1]], text.size, text.weight);
    if let Some((ink, width)) = text.halo {
        shape(page, &path, None, Some(Stroke::new(ink, 2.0 * width)), to_page);
    }
    shape(page, &path, Some(text.ink), None, to_page);
}

fn picture(page: &mut Pixmap, pixels: &Pixels, at: [f64; 2], size: [f64; 2], to_page: Transform) {
    let Some(mut map) = Pixmap::new(pixels.width, pixels.height) else { return };
    for (to, from) in map.data_mut().chunks_exact_mut(4).zip(pixels.rgb.chunks_exact(3)) {
        to[..3].copy_from_slice(from);
        to[3] = 255;
    }
    let (w, h) = (size[0] / f64::from(pixels.width), size[1] / f64::from(pixels.height));
    let place = Transform::from_row(w as f32, 0.0, 0.0, h as f32, at[0] as f32, at[1] as f32);
    let how = PixmapPaint { quality: tiny_skia::FilterQuality::Bilinear, ..PixmapPaint::default() };
    page.draw_pixmap(0, 0, map.as_ref(), &how, place.post_concat(to_page), None);
}

impl Pixels {
    /// The picture as a PNG file, marked as sRGB.
    ///
    /// Source: PNG Specification, third edition, 11.3.2.5 (the sRGB chunk; from memory).
    #[must_use]
    pub fn png(&self) -> Vec<u8> {
        let mut file = Vec::new();
        let mut encoder = png::Encoder::new(&mut file, self.width.max(1), self.height.max(1));
        encoder.set_color(png::ColorType::Rgb);
        encoder.set_depth(png::BitDepth::Eight);
        encoder.set_source_srgb(png::SrgbRenderingIntent::RelativeColorimetric);
        encoder.set_compression(png::Compression::Balanced);
        let blank = [0_u8; 3];
        let bytes: &[u8] = if self.rgb.is_empty() { &blank } else { &self.rgb };
        // Into memory nothing can fail but a length that is wrong, and `rgb` is private to makers that count.
        let written = encoder.write_header().and_then(|mut w| w.write_image_data(bytes));
        if written.is_err() {
            file.clear();
        }
        file
    }
}
