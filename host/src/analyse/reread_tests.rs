//! Words of a re-reading, and what they mean for a wiring.

use super::*;

#[test]
fn words_return() {
    for text in ["i1=-i1", "i1=-i1 i2=i3 i3=i2", "v1=v2 v2=v3 v3=v1", "v1=-v1 v3=v3-v1"] {
        assert_eq!(AsIf::parse(text).unwrap().to_string(), text);
    }
    assert_eq!(AsIf::parse("I1 = -I1"), Err(AsIfError::Word("I1".into())));
    assert_eq!(AsIf::parse("i2=i3,i3=i2"), AsIf::parse("i3=i2 i2=i3"));
    assert_eq!(AsIf::parse("i1=i1").map(|a| a.is_as_recorded()), Ok(true));
}

#[test]
fn nonsense_is_refused() {
    let bad = |text: &str| AsIf::parse(text).unwrap_err();
    for text in ["i1", "i1=", "i1=i4", "x=i1", "i1=--i1", "i1=i1i2"] {
        assert_eq!(bad(text), AsIfError::Word(text.into()));
    }
    assert_eq!(bad("i1=i2 i1=i3"), AsIfError::Twice("i1"));
    assert_eq!(bad("i1=v1"), AsIfError::Mixed("i1=v1".into()));
    assert_eq!(bad("i1=i2"), AsIfError::Singular("the currents"));
    assert_eq!(bad("i2=-i1"), AsIfError::Singular("the currents"));
    // Two clamps on one line: without a neutral the other current follows.
    let rest = AsIf::parse("i2=-i1-i3").unwrap();
    assert!(rest.plan(Wiring::ThreeWire).is_ok());
    assert_eq!(rest.plan(Wiring::FourWire), Err(AsIfError::Singular("the currents")));
    let swap = AsIf::parse("i1=i2 i2=i1").unwrap();
    let error = swap.plan(Wiring::TwoSensor).unwrap_err();
    assert_eq!(error.to_string(), "the wiring two-sensor of the records has no i2");
}

#[test]
fn a_connection_says_how_to_read_again() {
    use wattless_core::hookup::Seat;
    let seat = |line, reversed| Seat { line, reversed };
    let mut c = Connection::as_labelled(Wiring::FourWire);
    assert!(AsIf::mending(&c).unwrap().is_as_recorded());
    // All clamps turned and one phase on: i1 sits on L2, i2 on L3, i3 on L1.
    c.i = [seat(1, true), seat(2, true), seat(0, true)];
    assert_eq!(AsIf::mending(&c).unwrap().to_string(), "i1=-i3 i2=-i1 i3=-i2");
    let mut c = Connection::as_labelled(Wiring::TwoSensorLine);
    c.i[0].reversed = true;
    // Leads of L1 and L2 exchanged: v1 reads L2-L1, v3 reads L3-L1.
    (c.v[0].line, c.v[1].line) = (1, 0);
    assert_eq!(AsIf::mending(&c).unwrap().to_string(), "v1=-v1 v3=v3-v1 i1=-i1");
    // The clamp of i1 sits on L2, so that L1 is what the two leave.
    let mut c = Connection::as_labelled(Wiring::TwoSensor);
    (c.i[0].line, c.i[1].line) = (1, 0);
    assert_eq!(AsIf::mending(&c).unwrap().to_string(), "i1=-i1-i3");
    let mut c = Connection::as_labelled(Wiring::ThreeWire);
    c.i[1] = seat(0, true);
    // i2 reads what L1 carries, the other way round: L2 is what that and L3 leave.
    assert_eq!(AsIf::mending(&c).unwrap().to_string(), "i2=i2-i3");
    c.wiring = Wiring::FourWire;
    assert_eq!(AsIf::mending(&c), None);
}

#[test]
fn turned_clamps_are_exact_and_wrong_pairs_are_not() {
    let of = |text: &str, w| AsIf::parse(text).unwrap().plan(w).unwrap();
    let turned = of("i1=-i1 i3=-i3", Wiring::FourWire);
    assert!(turned.estimated_power().is_empty() && turned.estimated_effective());
    let all = of("i1=-i1 i2=-i2 i3=-i3", Wiring::FourWire);
    assert!(all.estimated_power().is_empty() && !all.estimated_effective());
    let swapped = of("i2=i3 i3=i2", Wiring::FourWire);
    assert_eq!(swapped.estimated_power(), [1, 2]);
    assert!(swapped.estimated_rms().is_empty() && !swapped.estimated_effective());
    // Names of phases only: voltages and currents moved together.
    let both = of("i2=i3 i3=i2 v2=v3 v3=v2", Wiring::ThreeWire);
    assert!(both.estimated_power().is_empty() && !both.estimated_effective());
    // The second phase's current is minus the sum of the two.
    let two = of("i1=-i1", Wiring::TwoSensor);
    // Its size follows from those of all three.
    assert_eq!((two.estimated_power(), two.estimated_rms()), (vec![1], vec![]));
}
