//! `linkmend unlock`, scenario by scenario, for every simulated family: what the person sees, the
//! exit code, and what is true of the device afterwards.

use mock_device::{Family, Scenario};

use crate::harness::Bench;

#[test]
fn clears_the_lock_and_proves_it_after_the_restart() {
    for family in Family::ALL {
        let bench = Bench::new(family, Scenario::Locked);
        let before = bench.present();
        let said = bench.linkmend(&["unlock", "--yes", "--json"]).run().ends(0);
        let object = said.json("change");
        assert_eq!(object["outcome"], "done");
        assert_eq!(object["changes"][0]["setting"], "model-lock");
        assert_eq!(object["changes"][0]["before"]["value"], 7);
        assert_eq!(object["changes"][0]["after"]["value"], "off");
        assert_eq!(object["changes"][0]["proof"], "after-restart");
        let after = bench.present();
        let mut expected = before.settings.clone();
        expected.insert("model-lock".into(), "off".into());
        assert_eq!(after.settings, expected, "{family}: nothing else moved");
        assert_eq!(after.unmapped, before.unmapped);
        assert_eq!((after.saves, after.boots), (1, 1));
    }
}
