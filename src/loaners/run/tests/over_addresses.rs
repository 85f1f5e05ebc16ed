//! Loaners that are reached at an address each.

use super::*;

#[tokio::test]
async fn a_reset_writes_what_the_file_names_proves_it_and_lists_the_rest() {
    for family in Family::ALL {
        let scenarios = [Scenario::Locked, Scenario::Healthy, Scenario::Locked];
        let house = Boathouse::of(family, &scenarios).await;
        let mut lines = Vec::new();
        let (world, _stop) = house.world();
        let order = house.order(ShelfCommand::Reset);
        let out = run(order, world, &mut |line: &ShelfLine| {
            lines.push(line.clone());
        })
        .await;
        let out = out.expect("it begins");
        let expected = [
            LoanerResult::Done,
            LoanerResult::AsWanted,
            LoanerResult::Done,
        ];
        assert_eq!(results(&out), expected, "{out:#?}");
        assert_eq!(house.locks(), ["off", "off", "off"]);
        let heron = &out.loaners[0];
        let written: Vec<&str> = heron
            .changes
            .iter()
            .map(|line| line.setting.as_str())
            .collect();
        assert_eq!(written, ["model-lock"]);
        assert!(
            heron.left.iter().any(|name| name == "bind-key"),
            "{:?}",
            heron.left
        );
        assert!(!heron.left.iter().any(|name| name == "model-lock"));
        assert!(heron.record.is_some() && heron.change.is_some());
        assert!(!heron.spans.is_empty());
        assert_eq!(
            (out.counts.done, out.counts.as_wanted, out.counts.all),
            (2, 1, 3)
        );
        let ended = lines
            .iter()
            .filter(|line| matches!(line.event, ShelfEvent::Ended(_)));
        assert_eq!(ended.count(), 3);
        assert!(matches!(lines[0].event, ShelfEvent::Began { .. }));
        // The second loaner was read once, and nothing was written to it.
        assert_eq!(house.truth(1).saves, 0);
    }
}

#[tokio::test]
async fn a_check_tells_what_differs_and_writes_nothing() {
    let scenarios = [Scenario::Locked, Scenario::Healthy, Scenario::Unbound];
    let mut house = Boathouse::of(Family::SampleForm, &scenarios).await;
    let seven = Value::Number(7.into());
    house.shelf.loaners[0].wanted = wishes(&[("model-lock", seven)]);
    house.shelf.loaners[1].wanted = wishes(&[("name", Value::Text("Smew".into()))]);
    let out = house.run(house.order(ShelfCommand::Check)).await;
    let expected = [
        LoanerResult::AsWanted,
        LoanerResult::Differs,
        LoanerResult::AsWanted,
    ];
    assert_eq!(results(&out), expected, "{out:#?}");
    // A lock on purpose is right, and not stuck.
    let conditions: Vec<_> = out.loaners.iter().map(|one| one.condition).collect();
    let word = |number: usize| conditions[number].map(|one: crate::terms::Condition| one.word());
    assert_eq!((word(0), word(2)), (Some("healthy"), Some("unbound")));
    assert_eq!(out.loaners[1].changes[0].setting.as_str(), "name");
    assert_eq!(house.saves(), 0);
}

#[tokio::test]
async fn who_is_not_the_one_of_the_row_is_left_alone() {
    let scenarios = [Scenario::Locked; 4];
    let mut house = Boathouse::of(Family::SampleForm, &scenarios).await;
    let at = |house: &Boathouse, number: usize| house.shelf.loaners[number].at.clone();
    // Two at each other's address, and one row that leads to the device of another.
    let (first, second) = (at(&house, 0), at(&house, 1));
    house.shelf.loaners[0].at = second;
    house.shelf.loaners[1].at = first;
    house.shelf.loaners[3].mark = house.shelf.loaners[2].mark.clone();
    house.shelf.loaners[3].at = at(&house, 2);
    let (mut world, _stop) = house.world();
    world.bssid = Arc::new(|_| no_bssid());
    let mut order = house.order(ShelfCommand::Reset);
    order.at_once = 1;
    let out = run(order, world, &mut |_: &ShelfLine| {})
        .await
        .expect("begun");
    let codes: Vec<&str> = out.loaners.iter().map(code).collect();
    assert_eq!(
        codes,
        ["another-device", "another-device", "", "one-identity-twice"]
    );
    assert_eq!(
        house.locks(),
        [7, 7, 0, 7].map(|lock| match lock {
            0 => Json::from("off"),
            lock => Json::from(lock),
        })
    );
    let found: Vec<&str> = out.findings.iter().map(|one| one.code.as_str()).collect();
    assert!(found.contains(&"one-identity-twice"), "{found:?}");
}

#[tokio::test]
async fn an_address_alone_is_no_identity() {
    let mut house = Boathouse::of(Family::SampleForm, &[Scenario::Locked]).await;
    house.shelf.loaners[0].mark.serial = None;
    let (mut world, _stop) = house.world();
    world.bssid = Arc::new(|_| no_bssid());
    let order = house.order(ShelfCommand::Reset);
    let out = run(order, world, &mut |_: &ShelfLine| {})
        .await
        .expect("begun");
    assert_eq!(results(&out), [LoanerResult::Refused]);
    assert_eq!(code(&out.loaners[0]), "no-identity");
    assert_eq!(house.saves(), 0);
}

#[tokio::test]
async fn those_that_misbehave_stop_nobody_and_are_tried_again() {
    let scenarios = [
        Scenario::LockReturns,
        Scenario::Locked,
        Scenario::DiskFull,
        Scenario::CutOff,
        Scenario::SwappedAfterRestart,
    ];
    let house = Boathouse::of(Family::SampleForm, &scenarios).await;
    let out = house.run(house.order(ShelfCommand::Reset)).await;
    let expected = [
        LoanerResult::PutBack,
        LoanerResult::Done,
        LoanerResult::PutBack,
        LoanerResult::Failed,
        LoanerResult::Unproved,
    ];
    let got = results(&out);
    assert_eq!(got[1], expected[1]);
    assert_eq!(got[3], expected[3], "{:#?}", out.loaners[3]);
    assert_eq!(got[4], expected[4], "{:#?}", out.loaners[4]);
    for number in [0, 2] {
        let out = &out.loaners[number];
        let honest = matches!(out.result, LoanerResult::PutBack | LoanerResult::Failed);
        assert!(honest, "{out:#?}");
        assert_eq!(house.locks()[number], 7);
    }
    let tries: Vec<u32> = out.loaners.iter().map(|one| one.tries).collect();
    assert_eq!(tries, [2, 1, 2, 2, 2]);
}

#[tokio::test]
async fn what_local_rules_set_is_told_and_not_written() {
    let mut house = Boathouse::of(Family::SampleForm, &[Scenario::Locked, Scenario::Healthy]).await;
    let region = house.truth(0).settings["region"].clone();
    let kind = &house
        .shelf
        .profile
        .setting("region")
        .expect("it has one")
        .kind;
    let crate::terms::Kind::Choice(options) = kind else {
        panic!("{kind:?}");
    };
    let other = options.iter().find(|one| region != one.value.as_str());
    let other = Value::Choice(other.expect("several").value.clone());
    for loaner in &mut house.shelf.loaners {
        let wanted = wishes(&[("model-lock", Value::Off), ("region", other.clone())]);
        loaner.wanted = wanted;
    }
    let out = house.run(house.order(ShelfCommand::Reset)).await;
    assert_eq!(results(&out), [LoanerResult::Done, LoanerResult::Refused]);
    for number in [0, 1] {
        assert_eq!(code(&out.loaners[number]), "set-by-rules");
        assert_eq!(house.truth(number).settings["region"], region);
        let told = out.loaners[number].changes.iter();
        assert!(told.clone().any(|line| line.setting.as_str() == "region"));
    }
    assert_eq!(house.locks(), ["off", "off"]);
}

#[tokio::test]
async fn a_lower_power_is_not_written_either() {
    let mut house = Boathouse::of(Family::SampleForm, &[Scenario::Locked]).await;
    let power = house.truth(0).settings["power"].clone();
    let lowest = match &house.shelf.profile.setting("power").expect("known").kind {
        crate::terms::Kind::Number(range) => Value::Number(range.from),
        other => panic!("{other:?}"),
    };
    assert_ne!(lowest.to_json(), power, "it is to differ");
    house.shelf.loaners[0].wanted = wishes(&[("model-lock", Value::Off), ("power", lowest)]);
    let out = house.run(house.order(ShelfCommand::Reset)).await;
    assert_eq!(results(&out), [LoanerResult::Done]);
    assert_eq!(code(&out.loaners[0]), "set-by-rules");
    let told: Vec<&str> = out.loaners[0]
        .changes
        .iter()
        .map(|line| line.setting.as_str())
        .collect();
    assert!(told.contains(&"power"), "{told:?}");
    assert_eq!(house.truth(0).settings["power"], power);
    assert_eq!(house.locks(), ["off"]);
}

#[tokio::test]
async fn a_pair_that_another_has_is_refused_unless_that_one_moves_on() {
    let mut house = Boathouse::of(Family::SampleForm, &[Scenario::Locked; 4]).await;
    let key = Value::Bytes(vec![9, 8, 7, 6, 5, 4]);
    let slot = |slot: i64| Value::Number(slot.into());
    let pairs = [slot(3), slot(4), slot(3), Value::Off];
    for (loaner, lock) in house.shelf.loaners.iter_mut().zip(pairs) {
        loaner.wanted = wishes(&[("bind-key", key.clone()), ("model-lock", lock)]);
    }
    let mut order = house.order(ShelfCommand::Reset);
    order.at_once = 1;
    let out = house.run(order).await;
    let codes: Vec<&str> = out.loaners.iter().map(code).collect();
    assert_eq!(
        codes,
        ["shared-pair", "", "shared-pair", "shared-key-without-lock"]
    );
    assert_eq!(results(&out)[1], LoanerResult::Done);
    assert_eq!(house.locks(), [7, 4, 7, 7]);
}

#[tokio::test]
async fn what_no_baseline_mends_and_who_does_not_answer_is_told_across_the_shelf() {
    let scenarios = [Scenario::Faulty, Scenario::Unbound, Scenario::Locked];
    let house = Boathouse::of(Family::SampleForm, &scenarios).await;
    house.running[2].power(false);
    let out = house.run(house.order(ShelfCommand::Check)).await;
    let told: Vec<(&str, &str)> = out
        .findings
        .iter()
        .map(|one| (one.code.as_str(), one.loaners[0].as_str()))
        .collect();
    assert_eq!(
        told,
        [
            ("faulty", "Heron"),
            ("unbound", "Smew"),
            ("missing", "Teal")
        ]
    );
    assert!(out.findings[2].text.contains("did not answer"), "{out:#?}");
}

#[tokio::test]
async fn what_is_wrong_among_others_alone_is_no_matter_of_a_run_over_some() {
    let mut house = Boathouse::of(Family::SampleForm, &[Scenario::Locked; 3]).await;
    let key = Value::Bytes(vec![9, 8, 7, 6, 5, 4]);
    for (loaner, slot) in house.shelf.loaners.iter_mut().zip([3, 4, 5]) {
        let slot = Value::Number(slot.into());
        loaner.wanted = wishes(&[("bind-key", key.clone()), ("model-lock", slot)]);
    }
    house.run(house.order(ShelfCommand::Reset)).await;
    assert_eq!(house.locks(), [3, 4, 5]);
    // By hand two of them came to one lock, and a check saw it.
    let mut alone = Vec::new();
    for loaner in &mut house.shelf.loaners[1..] {
        let slot = Value::Number(8.into());
        loaner.wanted = wishes(&[("bind-key", key.clone()), ("model-lock", slot)]);
        let by_hand = Shelf {
            title: "By hand".into(),
            profile: Arc::clone(&house.shelf.profile),
            loaners: vec![loaner.clone()],
        };
        alone.push(Order::new(
            Arc::new(by_hand),
            String::new(),
            ShelfCommand::Reset,
        ));
    }
    for order in alone {
        house.run(order).await;
    }
    assert_eq!(house.locks(), [3, 8, 8]);
    let check = |only: Option<&str>| {
        let mut order = house.order(ShelfCommand::Check);
        order.only = only.map(|one| [one.to_owned()].into());
        order
    };
    let codes = |out: &ShelfOut| -> Vec<String> {
        out.findings.iter().map(|one| one.code.clone()).collect()
    };
    let out = house.run(check(None)).await;
    assert_eq!(codes(&out), ["shared-pair"], "{out:#?}");
    let out = house.run(check(Some("Heron"))).await;
    assert_eq!(codes(&out), Vec::<String>::new());
    let out = house.run(check(Some("Smew"))).await;
    assert_eq!(codes(&out), ["shared-pair"], "it is one of them: {out:#?}");
}

#[tokio::test]
async fn a_dry_run_writes_nothing_and_only_some_may_be_meant() {
    let house = Boathouse::of(Family::SampleScript, &[Scenario::Locked; 3]).await;
    let mut order = house.order(ShelfCommand::Reset);
    order.dry_run = true;
    let out = house.run(order).await;
    assert_eq!(results(&out), [LoanerResult::Planned; 3]);
    assert!(out.dry_run);
    assert_eq!(house.saves(), 0);
    let mut order = house.order(ShelfCommand::Reset);
    order.only = Some(["Smew".to_owned()].into());
    let out = house.run(order).await;
    assert_eq!(
        (out.loaners.len(), out.loaners[0].label.as_str()),
        (1, "Smew")
    );
    assert_eq!(results(&out), [LoanerResult::Done]);
    assert_eq!(house.locks()[1], "off");
    let mut order = house.order(ShelfCommand::Reset);
    order.only = Some(["Swan".to_owned()].into());
    let (world, _stop) = house.world();
    let refused = run(order, world, &mut |_: &ShelfLine| {}).await;
    assert_eq!(refused.expect_err("nobody").code, "no-such-loaner");
}

#[tokio::test]
async fn so_many_failures_end_it_and_the_next_run_goes_on_where_it_was() {
    let scenarios = [
        Scenario::Locked,
        Scenario::RefusedLogin,
        Scenario::Locked,
        Scenario::Locked,
    ];
    let mut house = Boathouse::of(Family::SampleLogin, &scenarios).await;
    let mut order = house.order(ShelfCommand::Reset);
    order.stop_after = Some(1);
    order.at_once = 1;
    let out = house.run(order).await;
    let expected = [
        LoanerResult::Done,
        LoanerResult::Failed,
        LoanerResult::NotTried,
        LoanerResult::NotTried,
    ];
    let got = results(&out);
    assert_eq!(
        (got[0], &got[2..]),
        (expected[0], &expected[2..]),
        "{out:#?}"
    );
    assert_eq!(
        out.error.map(|fault| fault.code).as_deref(),
        Some("too-many-failed")
    );
    let saves = house.truth(0).saves;

    // The row of the third is another one by now, and that of the first is not.
    house.shelf.loaners[2].wanted = wishes(&[("model-lock", Value::Number(4.into()))]);
    let out = house.run(house.order(ShelfCommand::Reset)).await;
    assert!(out.loaners[0].earlier);
    assert_eq!(house.truth(0).saves, saves, "it is not written twice");
    let got = results(&out);
    assert_eq!(
        (got[0], got[2], got[3]),
        (LoanerResult::Done, LoanerResult::Done, LoanerResult::Done)
    );
    assert_eq!(
        (out.counts.as_wanted, out.counts.done, out.counts.all),
        (0, 3, 4)
    );
    assert_eq!(house.locks()[2], 4);
    // That run had its end, so all is looked at anew by the next one.
    let out = house.run(house.order(ShelfCommand::Reset)).await;
    assert!(out.loaners.iter().all(|one| !one.earlier));
    assert_eq!(results(&out)[0], LoanerResult::AsWanted);
}

#[tokio::test]
async fn a_row_that_leads_to_one_that_was_proved_before_is_refused_too() {
    let mut house = Boathouse::of(Family::SampleForm, &[Scenario::Locked; 2]).await;
    let mut order = house.order(ShelfCommand::Reset);
    order.at_once = 1;
    let (world, stop) = house.world();
    let mut watcher = |line: &ShelfLine| {
        if matches!(line.event, ShelfEvent::Ended(_)) {
            stop.send_replace(true);
        }
    };
    let out = run(order, world, &mut watcher).await.expect("begun");
    assert_eq!(results(&out)[0], LoanerResult::Done);
    let first = house.shelf.loaners[0].clone();
    let second = &mut house.shelf.loaners[1];
    (second.mark, second.at) = (first.mark, first.at);
    second.wanted = wishes(&[("model-lock", Value::Number(9.into()))]);
    let (mut world, _stop) = house.world();
    world.bssid = Arc::new(|_| no_bssid());
    let order = house.order(ShelfCommand::Reset);
    let out = run(order, world, &mut |_: &ShelfLine| {}).await;
    let out = out.expect("begun");
    assert!(out.loaners[0].earlier);
    assert_eq!(code(&out.loaners[1]), "one-identity-twice");
    assert_eq!(house.locks()[0], "off");
}

#[tokio::test]
async fn a_second_run_at_the_same_time_is_refused_by_the_name_of_the_first() {
    let house = Boathouse::of(Family::SampleForm, &[Scenario::Locked; 2]).await;
    let (world, _stop) = house.world();
    let (mut one, mut another) = (|_: &ShelfLine| {}, |_: &ShelfLine| {});
    let other = run(house.order(ShelfCommand::Check), world.clone(), &mut one);
    let first = run(house.order(ShelfCommand::Reset), world, &mut another);
    let (first, other) = tokio::join!(first, other);
    let (done, refused) = match (first, other) {
        (Ok(done), Err(refused)) | (Err(refused), Ok(done)) => (done, refused),
        both => panic!("{both:?}"),
    };
    assert_eq!(refused.code, "shelf-busy");
    let pid = std::process::id().to_string();
    assert!(refused.message.contains(&pid), "{}", refused.message);
    assert!(refused.message.contains(&format!("run {}", done.run)));
}

#[tokio::test]
async fn what_was_cut_off_in_the_middle_is_finished_first_and_what_was_proved_stays() {
    for family in [Family::SampleForm, Family::SampleLogin] {
        let house = Boathouse::of(family, &[Scenario::Locked; 4]).await;
        for _ in 0..40 {
            let (world, _stop) = house.world();
            let mut order = house.order(ShelfCommand::Reset);
            order.at_once = 2;
            let mut lines = 0;
            let cut = tokio::sync::Notify::new();
            // As a process that is killed: it is dropped where it is.
            let mut watcher = |_: &ShelfLine| {
                lines += 1;
                if lines == 14 {
                    cut.notify_one();
                }
            };
            let ended = tokio::select! {
                biased;
                () = cut.notified() => None,
                ended = run(order, world, &mut watcher) => Some(ended.expect("begun")),
            };
            let Some(out) = ended else { continue };
            // One that was cut off right after its proof is as it is wanted.
            let well = [LoanerResult::Done, LoanerResult::AsWanted];
            assert!(
                results(&out).iter().all(|one| well.contains(one)),
                "{out:#?}"
            );
            assert_eq!(house.locks(), ["off"; 4]);
            assert_eq!(out.counts.all, 4);
            // Once each, and nothing was undone that held.
            let archive = house.journal().archive().expect("read");
            assert!(archive.unfinished().expect("read").is_empty());
            break;
        }
        let total: u64 = house.saves();
        assert_eq!(total, 4, "{family:?}");
    }
}

#[tokio::test]
async fn who_answers_after_a_change_was_settled_may_be_another() {
    // Its first save does not take, and the run is cut off there. At each request in turn a lookalike
    // answers in its place.
    let nights = (1..=16_u64).map(|request| async move {
        let mut house = Boathouse::of(Family::SampleForm, &[]).await;
        let faults = [(1, Fault::NotKept), (request, Fault::Lookalike)];
        let faults = faults.map(|(request, fault)| FaultAt { request, fault });
        let faults = faults.into_iter().collect();
        house.moves_in(Scenario::Locked, faults).await;
        let (world, _stop) = house.world();
        let cut = tokio::sync::Notify::new();
        let mut watcher = |line: &ShelfLine| {
            if let ShelfEvent::Step { step, .. } = &line.event
                && *step == ShelfStep::Restarting
            {
                cut.notify_one();
            }
        };
        tokio::select! {
            biased;
            () = cut.notified() => {}
            _ = run(house.order(ShelfCommand::Reset), world, &mut watcher) => {}
        }
        let out = house.run(house.order(ShelfCommand::Reset)).await;
        let archive = house.journal().archive().expect("read");
        let on_record = archive.devices().expect("read").len();
        (request, on_record, out)
    });
    let mut seen = 0;
    for (request, on_record, out) in futures_util::future::join_all(nights).await {
        // The lookalike has no place in the journal: nothing was made of what it shows.
        assert!(on_record <= 1, "request {request}: {out:#?}");
        let heron = &out.loaners[0];
        let is_settled = matches!(heron.result, LoanerResult::PutBack | LoanerResult::Done);
        seen += u32::from(is_settled && code(heron) == "another-device");
    }
    assert!(seen > 0, "nobody else answered after a change was settled");
}

#[tokio::test]
async fn a_proved_one_whose_change_is_open_is_settled_first() {
    let house = Boathouse::of(Family::SampleForm, &[Scenario::Locked; 3]).await;
    let out = house.stopped_after(1).await;
    assert_eq!(results(&out)[0], LoanerResult::Done);
    // As a disk leaves it that was full when the first of them ended.
    let first = out.loaners[0].change.expect("it was written");
    let journal = house.tables();
    for text in [
        "DELETE FROM step WHERE kind = 'end' AND change = ?",
        "UPDATE change SET outcome = NULL WHERE id = ?",
    ] {
        assert_eq!(journal.execute(text, [first]).expect("a row"), 1);
    }
    let out = house.run(house.order(ShelfCommand::Reset)).await;
    assert!(!out.loaners[0].earlier, "{out:#?}");
    assert_eq!(results(&out), [LoanerResult::Done; 3]);
    let archive = house.journal().archive().expect("read");
    assert!(archive.unfinished().expect("read").is_empty());
    assert_eq!(house.saves(), 3);
}

#[tokio::test]
async fn a_proved_one_that_was_read_since_or_long_ago_is_read_again() {
    let house = Boathouse::of(Family::SampleForm, &[Scenario::Locked; 4]).await;
    let out = house.stopped_after(3).await;
    assert_eq!(results(&out)[..3], [LoanerResult::Done; 3]);
    // The first one is read in between, and the second one was proved a day ago.
    let mut check = house.order(ShelfCommand::Check);
    check.only = Some([LABELS[0].to_owned()].into());
    house.run(check).await;
    let journal = house.tables();
    let second = out.loaners[1].record.expect("it is on record");
    journal
        .execute("DROP TRIGGER record_stays", [])
        .expect("it stood");
    let day = jiff::Timestamp::now() - jiff::SignedDuration::from_hours(24);
    let changed = journal.execute(
        "UPDATE record SET at = ?1 WHERE id = ?2",
        rusqlite::params![day.to_string(), second],
    );
    assert_eq!(changed.expect("a record"), 1);
    let out = house.run(house.order(ShelfCommand::Reset)).await;
    let earlier: Vec<bool> = out.loaners.iter().map(|one| one.earlier).collect();
    assert_eq!(earlier, [false, false, true, false], "{out:#?}");
    assert_eq!(
        results(&out),
        [
            LoanerResult::AsWanted,
            LoanerResult::AsWanted,
            LoanerResult::Done,
            LoanerResult::Done
        ]
    );
    assert_eq!(house.saves(), 4);
}

#[tokio::test]
async fn a_wish_to_stop_leaves_what_can_be_left() {
    let house = Boathouse::of(Family::SampleForm, &[Scenario::Locked; 6]).await;
    let out = house.stopped_after(1).await;
    assert_eq!(
        out.error.as_ref().map(|fault| fault.code.as_str()),
        Some("cancelled")
    );
    assert_eq!(results(&out)[0], LoanerResult::Done);
    assert!(
        results(&out)[2..]
            .iter()
            .all(|one| *one == LoanerResult::NotTried)
    );
    assert_eq!(&house.locks()[2..], [7, 7, 7, 7]);
    let out = house.run(house.order(ShelfCommand::Reset)).await;
    assert!(out.loaners[0].earlier && out.error.is_none());
    assert_eq!(house.locks(), ["off"; 6]);
}

#[tokio::test]
async fn what_is_never_shown_is_not_said_to_be_back() {
    let mut house = Boathouse::of(Family::SampleLogin, &[Scenario::LockReturns]).await;
    let wanted = [("model-lock", Value::Off), ("local-network", Value::Absent)];
    house.shelf.loaners[0].wanted = wishes(&wanted);
    let before = house.truth(0).settings;
    let out = house.run(house.order(ShelfCommand::Reset)).await;
    let heron = &out.loaners[0];
    assert_eq!(heron.result, LoanerResult::PutBack, "{out:#?}");
    let after = house.truth(0).settings;
    assert_eq!(after["local-network"], before["local-network"]);
    // It went with its network, and nobody who reads the pages could know it.
    assert_ne!(after["local-passphrase"], before["local-passphrase"]);
    let told = "`local-passphrase` is never shown: whether it is as it was cannot be told";
    assert!(heron.notes.iter().any(|note| note == told), "{heron:#?}");
}
