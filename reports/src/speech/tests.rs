//! Promises of what is said.

use super::*;

fn german(text: &str) -> String {
    Speech::new(Language::German).say(text)
}

#[test]
fn every_line_of_the_book_can_be_read_and_stands_once() {
    let mut seen = BTreeMap::new();
    for (line, read) in lines(GERMAN) {
        let (from, to) = read.unwrap_or_else(|why| panic!("line {line}: {why}"));
        let before = seen.insert(from.key(), line);
        assert_eq!(before, None, "line {line} says {} again", from.key());
        let names = |phrase: &Phrase| {
            let holes = phrase.holes();
            holes
                .keys()
                .map(|name| (*name).to_owned())
                .collect::<Vec<_>>()
        };
        let dropped: Vec<String> = names(&from)
            .into_iter()
            .filter(|name| !names(&to).contains(name))
            .collect();
        // German says "der eine": the number is in the words.
        assert!(
            dropped.is_empty() || from.key().contains("of 1 judged"),
            "line {line} loses {dropped:?}"
        );
    }
    assert!(seen.len() > 300, "{}", seen.len());
}

#[test]
fn sentences_are_said_with_their_names_numbers_and_times() {
    let cases = [
        (
            "3 alerts are open and must be handed over.",
            "3 Alarme sind offen und müssen übergeben werden.",
        ),
        ("2026-03-02 14:04", "02.03.2026 14:04"),
        ("2026-03-02", "02.03.2026"),
        ("2026-03-02 14:04 CET", "02.03.2026 14:04 CET"),
        ("2026-03-02 14:04 -03", "02.03.2026 14:04 -03"),
        ("12\u{202f}345.6", "12.345,6"),
        ("P000135-4", "P000135-4"),
        (
            "paste-height: a lasting shift, by cumulative sums on the lower side, first at \
             2026-03-02 14:07:32 (P000098); 52 signals until 2026-03-02 16:40; farthest value \
             90.237 um, -17.9 sigma from the centre. Likeliest is a drift of about -0.81 sigma a \
             point that began at P000090 (90 % of the likelihood: P000068 to P000094).",
            "paste-height: dauerhafte Verschiebung (kumulierte Summen) nach unten, zuerst um \
             02.03.2026 14:07:32 (P000098); 52 Signale bis 02.03.2026 16:40; entferntester Wert \
             90,237 um, −17,9 Sigma von der Mittellinie. Am wahrscheinlichsten ist eine Drift von \
             etwa −0,81 Sigma je Punkt mit Beginn bei P000090 (90 % der Likelihood: P000068 bis \
             P000094).",
        ),
        (
            "Family fine with 99 % of the change (96 to 100 %); alike for every position. Points \
             to the process: only prints of the back stroke moved (blade or pressure).",
            "Familie fine mit 99 % der Änderung (96 bis 100 %); gleich bei: Position. Deutet auf \
             den Prozess: nur Drucke des Hubs back haben sich verschoben (Rakel oder Druck).",
        ),
        (
            "Limits of a/b set as version 1 from 10 subgroups: not normal: three sigma do not mean \
             0.27 % (Anderson-Darling A* 1.4481, p 0.001); skewed: false alarms gather on one side \
             (skewness -1.5, p 0.01)",
            "Eingriffsgrenzen von a/b gesetzt: Version 1 aus 10 Stichproben. nicht normal: Drei \
             Sigma bedeuten nicht 0,27 % (Anderson-Darling A* 1,4481, p 0,001); schief: Fehlalarme \
             häufen sich auf einer Seite (Schiefe −1,5, p 0,01)",
        ),
        ("Was jemand schrieb, bleibt.", "Was jemand schrieb, bleibt."),
    ];
    for (text, said) in cases {
        assert_eq!(german(text), said);
    }
}

#[test]
fn english_says_what_it_was_given_with_a_proper_minus() {
    let speech = Speech::new(Language::English);
    let text = "the shift is about -1.2 sigma.";
    assert_eq!(speech.say(text), text);
    let text = "no single point is beyond the limits, the shift is about -1.2 sigma.";
    assert_eq!(speech.say(text), text.replace('-', "−"));
    for (line, read) in lines(GERMAN) {
        let (from, _) = read.unwrap();
        let holes = from.holes();
        if holes.values().all(|kind| *kind == Kind::Name) {
            let text = from.key();
            assert_eq!(speech.say(&text), text, "line {line}");
        }
    }
}

#[test]
fn own_wording_takes_the_place_of_one_sentence_or_names_its_line() {
    let own = "# ours\n\nTo hand over => For the next shift\n{n} alerts are open and must be \
               handed over. => Open: {n}";
    let speech = Speech::new(Language::English).with_wording(own).unwrap();
    assert_eq!(speech.say("To hand over"), "For the next shift");
    assert_eq!(
        speech.say("12 alerts are open and must be handed over."),
        "Open: 12"
    );
    assert_eq!(speech.say("What changed"), "What changed");
    for (wording, line, words) in [
        ("To hand over", 1, "write a sentence"),
        ("\nTo hand ovr => x", 2, "have no sentence"),
        ("Revision {n} => {m}", 1, "no hole {m}"),
        ("# x\nRevision {n} => {n", 2, "not closed"),
    ] {
        let error = Speech::new(Language::German)
            .with_wording(wording)
            .unwrap_err();
        assert_eq!(error.line, line, "{error}");
        assert!(error.reason.contains(words), "{error}");
    }
}

#[test]
fn every_sentence_of_the_templates_is_in_the_book() {
    let speech = Speech::new(Language::German);
    let mut count = 0;
    for (name, text) in crate::render::BUILT_IN {
        for quote in ['"', '\''] {
            for (end, _) in text.match_indices(&format!("{quote}|say")) {
                let start = text[..end].rfind(quote).unwrap() + 1;
                let key = &text[start..end];
                let said = speech.fill(key, |name| Some(name.to_owned()));
                assert!(said.is_some(), "{name}: {key}");
                count += 1;
            }
        }
    }
    assert!(count > 100, "{count}");
}
