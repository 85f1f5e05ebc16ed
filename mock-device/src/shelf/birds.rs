//! The names of the loaners: water birds, as the school calls its boats.

/// As many as a usual shelf has receivers.
const BIRDS: [&str; 24] = [
    "Heron",
    "Smew",
    "Teal",
    "Coot",
    "Grebe",
    "Pintail",
    "Eider",
    "Wigeon",
    "Pochard",
    "Garganey",
    "Dipper",
    "Moorhen",
    "Goosander",
    "Shelduck",
    "Curlew",
    "Avocet",
    "Scoter",
    "Bittern",
    "Gadwall",
    "Goldeneye",
    "Egret",
    "Dunlin",
    "Lapwing",
    "Turnstone",
];

/// The name of a receiver: no two of a shelf have the same.
pub(super) fn name(index: usize) -> String {
    let bird = BIRDS[index % BIRDS.len()];
    match index / BIRDS.len() {
        0 => bird.to_owned(),
        more => format!("{bird} {}", more + 1),
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    #[test]
    fn no_two_of_ten_thousand_have_the_same_name_and_each_fits_on_a_receiver() {
        let names: HashSet<String> = (0..10_000).map(name).collect();
        assert_eq!(names.len(), 10_000);
        // The 24 characters of FAMILIES.md.
        assert!(names.iter().all(|name| name.chars().count() <= 24));
        assert_eq!(name(24), "Heron 2");
    }
}
