"""The front end's core without any screen, run inside a blank page of the server."""

import struct

import pytest

pytestmark = pytest.mark.browser

TONE_LEVELS = [{"from": 1, "to": 5, "descriptor": "thin"}, {"from": 6, "to": 10, "descriptor": "full"}]
PITCH_LEVELS = [{"from": 1, "to": 10, "descriptor": "any"}]
RUBRIC = {
    "low": 1,
    "high": 10,
    "captions": [
        {"key": "tone", "name": "Tone", "levels": TONE_LEVELS},
        {"key": "pitch", "name": "Pitch", "levels": PITCH_LEVELS},
    ],
}


@pytest.fixture
def page(open_page):
    opened = open_page().page
    opened.goto("/join.html")
    return opened


def test_ids_are_random_and_of_the_servers_form(page):
    made = page.evaluate("import('/core/ids.js').then(({newId}) => Array.from({length: 500}, newId))")
    assert len(set(made)) == 500
    assert all(len(one) == 32 and one == one.lower() and int(one, 16) >= 0 for one in made)
    assert {one[12] for one in made} == {"4"}


def test_what_keeps_a_sheet_open_is_said_in_words(page):
    said = page.evaluate(
        """async (rubric) => {
          const { emptySheet, withMark, stillOpen, openSentence, descriptor } = await import("/core/marks.js");
          const places = [{ place: "p", title: "Study" }, { place: "q", title: "Scale" }];
          const one = [places[0]];
          let sheet = withMark(emptySheet(), "p", "tone", 7);
          const ofBoth = () => openSentence(stillOpen(rubric, places, sheet), true);
          const words = [openSentence(stillOpen(rubric, one, sheet), false), ofBoth()];
          sheet = withMark(withMark(sheet, "p", "pitch", 4), "q", "pitch", 4);
          words.push(ofBoth());
          sheet = withMark(sheet, "q", "tone", 1);
          words.push(ofBoth());
          sheet = withMark(sheet, "q", "tone", undefined);
          words.push(String(sheet.marks.q.tone));
          words.push(descriptor(rubric.captions[0], 6), descriptor(rubric.captions[0], undefined));
          return words;
        }""",
        RUBRIC,
    )
    assert said == ["Pitch still open", "3 marks still open", "Tone of Scale still open", "", "undefined", "full", ""]


def test_a_recording_becomes_a_float_wav(page):
    data = page.evaluate(
        """async () => {
          const { wavOf } = await import("/core/wav.js");
          const blob = wavOf([new Float32Array([0.5, -0.25]).buffer, new Float32Array([1]).buffer], 44100);
          return Array.from(new Uint8Array(await blob.arrayBuffer()));
        }"""
    )
    wav = bytes(data)
    assert wav[:4] == b"RIFF"
    assert struct.unpack("<I", wav[4:8])[0] == len(wav) - 8
    assert struct.unpack("<HHIIHH", wav[20:36]) == (3, 1, 44100, 44100 * 4, 4, 32)
    assert struct.unpack("<3f", wav[-12:]) == (0.5, -0.25, 1.0)


def test_the_spool_gives_back_what_it_was_given(page):
    kept = page.evaluate(
        """async () => {
          const spool = await import("/core/spool.js");
          const recording = {
            id: "r1", candidate_id: "c", blind_number: "27", piece_id: "p", piece_title: "Study", replaces: null,
            sample_rate_hz: 8000, state: "recording", frames: 0, started_at: 5,
          };
          await spool.save(recording);
          // Chunks may be written in any order.
          await spool.addChunk("r1", 1, new Float32Array([3, 4]).buffer);
          await spool.addChunk("r1", 0, new Float32Array([1, 2]).buffer);
          await spool.addChunk("r2", 0, new Float32Array([9]).buffer);
          const before = [(await spool.list()).length, await spool.framesKept("r1")];
          const wav = await (await spool.asWav(recording)).arrayBuffer();
          const samples = Array.from(new Float32Array(wav.slice(58)));
          await spool.drop("r1");
          const after = [(await spool.list()).length, await spool.framesKept("r1"), await spool.framesKept("r2")];
          return [...before, samples, ...after];
        }"""
    )
    assert kept == [1, 4, [1, 2, 3, 4], 0, 0, 1]


OUTBOX = """async (answers) => {
  const outbox = await import("/core/outbox.js");
  const asked = [];
  window.fetch = async (path, options) => {
    asked.push([path, options.headers.Authorization]);
    const next = answers.length > 1 ? answers.shift() : answers[0];
    if (next === 0) throw new TypeError("no network");
    const refusal = JSON.stringify({ error: { code: "x", sentence: "Not taken.", facts: {} } });
    return new Response(next === 200 ? "{}" : refusal, { status: next });
  };
  outbox.start((owner) => `token of ${owner}`);
  await outbox.put({ id: "v1", owner: "a", candidate_id: "c", label: "number 27", path: "/api/x", body: {} });
  const until = Date.now() + 6000;
  let waiting = await outbox.waiting();
  while (Date.now() < until && waiting.length && !waiting[0].refused) {
    await new Promise((resolve) => setTimeout(resolve, 50));
    waiting = await outbox.waiting();
  }
  return { asked, waiting: waiting.map((entry) => entry.refused ?? "") };
}"""


def test_the_outbox_sends_until_the_server_has_it(page):
    result = page.evaluate(OUTBOX, [0, 503, 200])
    assert result["waiting"] == []
    assert result["asked"] == [["/api/x", "Bearer token of a"]] * 3


def test_the_outbox_keeps_a_refused_sheet_with_its_sentence(page):
    result = page.evaluate(OUTBOX, [409])
    assert result["waiting"] == ["Not taken."]
    assert len(result["asked"]) == 1


def test_an_error_without_the_envelope_still_makes_a_sentence(page):
    said = page.evaluate(
        """async () => {
          const { errorFromAnswer } = await import("/core/api.js");
          const envelope = '{"error":{"code":"bad_input","sentence":"Too short.","facts":{}}}';
          return [errorFromAnswer(503, "<html>busy</html>"), errorFromAnswer(500, ""), errorFromAnswer(422, envelope)]
            .map((error) => [error.sentence, error.passing]);
        }"""
    )
    assert said[0][1]
    assert "moment" in said[0][0]
    assert "(500)" in said[1][0]
    assert said[2] == ["Too short.", False]


def test_a_tap_finds_its_bar_also_between_two_lines(page):
    found = page.evaluate(
        """async () => {
          const { barAtPlace } = await import("/core/music.js");
          const place = (bar, left, right, top) => ({ bar, left, right, top, bottom: top + 12 });
          const bars = [place("1", 0, 20, 0), place("2", 20, 60, 0), place("3", 0, 30, 10), place("4", 30, 60, 10)];
          const taps = [[5, 3], [40, 6], [40, 10.5], [40, 11.5], [29, 20], [70, 5], [5, 23]];
          return taps.map(([x, y]) => barAtPlace(bars, x, y)?.bar ?? null);
        }"""
    )
    assert found == ["1", "2", "2", "4", "3", None, None]


def test_kept_remarks_are_each_adjudicators_own_and_not_without_end(page):
    kept = page.evaluate(
        """async () => {
          const { keepRemark, forgetRemark, keptRemarks } = await import("/core/kept-remarks.js");
          keepRemark("a", "in tune");
          keepRemark("a", "lift");
          keepRemark("a", "in tune");
          const twice = keptRemarks("a");
          const other = keptRemarks("b");
          forgetRemark("a", "lift");
          const left = keptRemarks("a");
          for (let n = 0; n < 70; n += 1) keepRemark("a", `number ${n}`);
          return [twice, other, left, keptRemarks("a").length, keptRemarks("a")[0]];
        }"""
    )
    assert kept == [["lift", "in tune"], [], ["in tune"], 60, "number 10"]
