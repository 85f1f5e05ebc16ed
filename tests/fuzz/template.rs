//! Templates: what was put into the hole is found there, and the written form is read as it was.

use linkmend::profile::Template;

use crate::{
    drive::{Dice, fuzz},
    mutate,
};

fn make(dice: &mut Dice) -> Vec<u8> {
    let pieces = [
        "{}", "{{", "}}", "{", "}", "No. ", "é", "", "x", "\n", "\u{202e}",
    ];
    let template: String = (0..dice.below(7)).map(|_| *dice.pick(&pieces)).collect();
    // The template, then what goes into its hole.
    [template, mutate::text(dice, 6)].join("\0").into_bytes()
}

#[test]
fn template_reads_back_what_it_writes() {
    let mut sound = 0;
    fuzz("template", make, |input| {
        let text = String::from_utf8_lossy(input);
        let (written, hole) = text.split_once('\0').expect("made so");
        let Ok(template) = Template::parse(written) else {
            return;
        };
        sound += 1;
        assert_eq!(Template::parse(&template.to_string()), Ok(template.clone()));
        let filled = template.fill(hole);
        if template.has_hole() {
            assert_eq!(template.find(&filled), Some(hole));
        } else {
            assert_eq!(template.find(&filled), Some(""));
        }
        // Of any other text it finds what would make just that text, or nothing.
        if let Some(found) = template.find(hole) {
            assert_eq!(template.fill(found), hole);
        }
    });
    assert!(sound > 0, "some of them are templates");
}
