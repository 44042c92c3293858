//! The set drawn: to scale, every name in words, numbers while a face is protected, files that others can read.

mod settled;

use lampkeep::picture::set::{self, Lengths, View};
use lampkeep::picture::{Drawing, Item};
use lampkeep::plan::{LookId, load};
use settled::{PROFILES, plan};

fn said(drawing: &Drawing) -> Vec<&str> {
    drawing
        .items
        .iter()
        .filter_map(|item| if let Item::Words(text) = item { Some(text.said.as_str()) } else { None })
        .collect()
}

fn view(look: Option<LookId>) -> View {
    View { look, ..View::default() }
}

#[test]
fn every_lamp_camera_and_thing_of_the_plan_is_named_and_every_lamp_is_in_words() {
    let plan = load::demo();
    let page = set::page(&plan, &view(None));
    let said = said(&page);
    for lamp in &plan.fixtures {
        let times = said.iter().filter(|s| **s == lamp.id).count();
        assert_eq!(times, 2, "{} on the drawing and in the list", lamp.id);
    }
    for thing in ["camera main", "camera side", "pilot", "board", "flag door", "window"] {
        assert!(said.contains(&thing), "{thing}");
    }
    let text = said.join(" ").replace('\u{a0}', " ");
    // The demo's own figures: key at 7:30, 1.6 m, behind a softbox of 90 cm.
    for fact in ["at 7:30, 2.28 m high, 1.60 m to the face of pilot, 40° down;", "softbox-90", "fed by key"]
    {
        assert!(text.contains(fact), "{fact} is not in: {text}");
    }
}

#[test]
fn a_look_tells_levels_and_kelvins_in_words_and_what_is_dark() {
    let plan = load::demo();
    let look = plan.look_named("bridge-butterfly").expect("there");
    let page = set::page(&plan, &view(Some(look)));
    let text = said(&page).join(" ").replace('\u{a0}', " ");
    assert!(text.contains("0.0 stops, 5200 K") && text.contains("dark."), "{text}");
    let feet = set::page(&plan, &View { look: Some(look), lengths: Lengths::Feet, hidden: false });
    let text = said(&feet).join(" ").replace('\u{a0}', " ");
    // 1.6 m is 5.249 ft.
    assert!(text.contains("5 ft 3 in to the face") && text.contains("3 ft"), "{text}");
}

/// While a face is protected nothing that a plan's author named is told.
#[test]
fn while_a_face_is_protected_numbers_stand_for_names() {
    let plan = load::demo();
    let look = plan.look_named("unseen-pilot");
    let page = set::page(&plan, &View { look, lengths: Lengths::Metres, hidden: true });
    let text = format!("{} {}", page.title, said(&page).join(" ")).replace(&plan.name, "");
    let words: Vec<&str> = text.split(|c: char| !c.is_alphanumeric() && c != '-').collect();
    let names = plan.fixtures.iter().flat_map(|f| f.body.as_ref().map(|b| b.name.as_str())).chain([
        "pilot",
        "unseen-pilot",
        "glow",
        "hair-light",
        "softbox-90",
        "chart-lamp",
        "door",
        "main",
    ]);
    for name in names {
        assert!(!words.contains(&name), "{name} is told");
    }
    assert!(text.contains("lamp-1") && text.contains("look-") && text.contains("subject-1"));
    // Source: docs/safety.md: the guard does not hold a lamp set by hand; unplug it.
    assert!(text.contains("unplug it") && text.contains("held dark"), "{text}");
}

#[test]
fn labels_lie_on_the_page_and_do_not_cover_each_other() {
    for plan in [load::demo()] {
        for look in std::iter::once(None).chain((0..plan.looks.len()).map(|i| Some(LookId(i)))) {
            for drawing in [set::above(&plan, &view(look)), set::side(&plan, &view(look))] {
                let mut boxes: Vec<([f64; 4], &str)> = Vec::new();
                for item in &drawing.items {
                    let Item::Words(t) = item else { continue };
                    if t.said.parse::<u32>().is_ok() {
                        // Numbers of lamps and of the clock.
                        continue;
                    }
                    let wide = lampkeep::picture::width(&t.said, t.size, t.weight);
                    let x = match t.anchor {
                        lampkeep::picture::Anchor::Start => t.at[0],
                        lampkeep::picture::Anchor::Middle => t.at[0] - 0.5 * wide,
                        lampkeep::picture::Anchor::End => t.at[0] - wide,
                    };
                    let own = [x, t.at[1] - 0.7 * t.size, x + wide, t.at[1]];
                    assert!(own[0] > -1.0 && own[2] < drawing.width + 1.0, "{} leaves the page", t.said);
                    for (other, name) in &boxes {
                        let apart = own[0] >= other[2]
                            || own[2] <= other[0]
                            || own[1] >= other[3]
                            || own[3] <= other[1];
                        assert!(apart, "{} covers {name} in {look:?} of {}", t.said, drawing.title);
                    }
                    boxes.push((own, &t.said));
                }
            }
        }
    }
}

/// One list of shapes makes both files: the SVG is whole and the same each time, the PNG has its size. Scale: tests/pictures_scale.rs.
#[test]
fn the_drawing_is_the_same_in_every_run_and_its_png_has_its_size() {
    let plan = load::demo();
    let drawing = set::above(&plan, &view(None));
    let svg = drawing.svg();
    assert!(
        svg.starts_with("<svg xmlns=\"http://www.w3.org/2000/svg\"") && svg.trim_end().ends_with("</svg>")
    );
    assert_eq!(svg, set::above(&plan, &view(None)).svg(), "the same in every run");
    let pixels = drawing.pixels(0.5);
    assert_eq!(
        (f64::from(pixels.width), f64::from(pixels.height)),
        ((drawing.width * 0.5).round(), (drawing.height * 0.5).round())
    );
    assert_eq!(&pixels.png()[..8], b"\x89PNG\r\n\x1a\n");
}

/// Dots every half metre over two hundred metres would be a grey floor and a file of megabytes.
#[test]
fn a_set_of_two_hundred_metres_is_drawn_with_dots_that_can_be_told_apart() {
    let text = format!(
        "{PROFILES}[fixture.far]\nprofile = \"mat\"\naddress = 1\nat = [\"100 m\", \"100 m\", \"0 m\"]\n[fixture.other]\n\
         profile = \"mat\"\naddress = 11\nat = [\"-100 m\", \"-100 m\", \"0 m\"]\n[look.a]\nfar = {{ stops = 0 }}\n"
    );
    let plan = plan(&text);
    let page = set::page(&plan, &view(None));
    assert!(page.items.len() < 8000, "{} shapes", page.items.len());
    let said = said(&page).join(" ").replace('\u{a0}', " ");
    assert!(said.contains("Dots are 5 m apart") && said.contains("20 m"), "{said}");
}
