"""The sounds and the ear of the practice screen, without any screen: known tones, known clicks, known levels."""

import pytest

pytestmark = pytest.mark.browser


@pytest.fixture
def page(open_page):
    opened = open_page().page
    opened.goto("/join.html")
    return opened


TONES = """async ({ rate, midis, partials, noise }) => {
  const { pitchOf, WINDOW } = await import("/core/pitch.js");
  let seed = 7;
  const random = () => { seed = (seed * 1103515245 + 12345) % 2147483648; return seed / 1073741824 - 1; };
  return midis.map((midi) => {
    const hz = 440 * 2 ** ((midi - 69) / 12);
    const sound = Float32Array.from({ length: WINDOW }, (_, i) => {
      let sum = 0.02 + noise * random();
      for (const [number, level] of partials) {
        if (hz * number < rate / 2) sum += level * Math.sin((2 * Math.PI * hz * number * i) / rate + number);
      }
      return 0.2 * sum;
    });
    const heard = pitchOf(sound, rate);
    return heard === null ? null : 1200 * Math.log2(heard.hz / hz);
  });
}"""
SPECTRA = {
    "sine": [(1, 1.0)],
    "bright": [(1, 1.0), (2, 0.8), (3, 0.6), (4, 0.5), (5, 0.4), (6, 0.3)],
    "odd": [(1, 1.0), (3, 0.7), (5, 0.4), (7, 0.2)],  # as a clarinet's low notes
    "weak first": [(1, 0.1), (2, 1.0), (3, 0.8), (4, 0.5)],  # as a bassoon's
}


@pytest.mark.parametrize("rate", [44_100, 48_000])
@pytest.mark.parametrize("spectrum", list(SPECTRA))
def test_known_tones_are_read_to_a_cent(page, rate, spectrum):
    """From the lowest A of the piano to its highest C, between the semitones too; with some noise in the room."""
    midis = [22 + 0.37 + 2.73 * n for n in range(32)]
    off = page.evaluate(TONES, {"rate": rate, "midis": midis, "partials": SPECTRA[spectrum], "noise": 0.01})
    assert None not in off
    assert max(abs(cents) for cents in off) < 1.0, dict(zip(midis, off, strict=True))


def test_noise_and_silence_have_no_pitch(page):
    nothing = page.evaluate(TONES, {"rate": 48_000, "midis": [60], "partials": [], "noise": 1.0})
    assert nothing == [None]
    assert page.evaluate(TONES, {"rate": 48_000, "midis": [60], "partials": [(1, 0.01)], "noise": 0.0}) == [None]


def test_tones_are_told_apart_and_answered_in_cents(page):
    said = page.evaluate(
        """async () => {
          const { ReturnCheck, ToneListener, longToneSentence, writtenName } = await import("/core/tones.js");
          const a4 = 442;
          const ear = new ToneListener(a4);
          const tones = [];
          let sec = 0;
          const play = (midi, length, centsAt) => {
            const until = sec + length;
            for (const from = sec; sec < until; sec += 0.04) {
              const hz = midi === null ? null : a4 * 2 ** ((midi + centsAt(sec - from) / 100 - 69) / 12);
              const ended = ear.hear({ sec, hz });
              if (ended) tones.push(ended);
            }
          };
          play(60, 2, () => 8);
          play(null, 0.3, () => 0);
          play(62, 1, (t) => -10 * t);
          play(64, 0.2, () => 0); // too short to judge
          play(60, 1, () => -6 + 12 * Math.sin(40)); // back again
          play(null, 0.5, () => 0);
          const back = new ReturnCheck(60, -2);
          const asked = [back.next];
          let answer = null;
          for (const tone of tones) { answer = back.hear(tone) ?? answer; asked.push(back.next); }
          const sentences = tones.map((tone) => longToneSentence(tone, null, -2));
          const other = longToneSentence(tones[0], 65, -2);
          return { tones, sentences, other, asked, answer, name: writtenName(58, -2) };
        }"""
    )
    assert [t["midi"] for t in said["tones"]] == [60, 62, 60]
    assert said["tones"][0]["cents"] == pytest.approx(8, abs=0.01)
    assert said["tones"][1]["slope"] == pytest.approx(-6, abs=1.5)
    assert said["name"] == "C4"
    assert said["sentences"][0] == (
        "D4, held 2.0 s: 8 cents sharp. It stayed where it was, wandering 1 cent either way."
    )
    assert "sank by" in said["sentences"][1]
    assert said["other"] == "That was D4, held 2.0 s; asked for was G4."
    assert said["asked"][0].startswith("Play D4")
    assert said["asked"][1].startswith("Remember it")
    assert said["asked"][2].startswith("Now come back to D4")
    lower = 8 - (-6 + 12 * 0.7451)
    assert said["answer"]["cents"] == pytest.approx(-lower, abs=0.1)
    assert said["answer"]["sentence"] == "D4 came back 5 cents lower after one other note, give or take 2 cents."


def test_clicks_stand_where_beats_parts_and_silent_bars_say(page):
    places = page.evaluate(
        """async () => {
          const { placeOf } = await import("/core/practice-sounds.js");
          const setting = { bpm: 60, beats: 2, parts: 3, sounding: 1, silent: 1 };
          return Array.from({ length: 14 }, (_, index) => placeOf(index, setting));
        }"""
    )
    assert [p["look"] for p in places[:7]] == [True, "part", "part", False, "part", "part", True]
    assert [p["silent"] for p in places] == [False] * 6 + [True] * 6 + [False] * 2
    assert (places[9]["bar"], places[9]["beat"], places[9]["part"]) == (1, 1, 0)


RENDER = """async ({ level, silent }) => {
  const { Clicks, Drone, droneHz } = await import("/core/practice-sounds.js");
  const rate = 16000;
  const peaks = (samples, from, to) => Math.max(...Array.from(samples.slice(from * rate, to * rate), Math.abs));
  const drone = new OfflineAudioContext(1, 4 * rate, rate);
  new Drone(drone, { hz: droneHz(10, 440), fifth: true, just: true, level });
  const sound = (await drone.startRendering()).getChannelData(0);
  const metronome = new OfflineAudioContext(1, 2 * rate, rate);
  const clicks = new Clicks(metronome, { bpm: 240, beats: 1, parts: 1, sounding: 1, silent }, level, () => {});
  clicks.fill = () => {};
  clicks.stop = () => clearInterval(clicks.timer);
  clicks.stop();
  const ticks = (await metronome.startRendering()).getChannelData(0);
  return { hz: droneHz(10, 440), start: peaks(sound, 0, 0.05), later: peaks(sound, 2, 4), tick: peaks(ticks, 0, 2) };
}"""


def test_sounds_begin_quietly_and_never_pass_the_cap(page):
    first = page.evaluate("import('/core/practice-sounds.js').then((m) => [m.FIRST_LEVEL, m.LEVELS, m.gainOf(99)])")
    assert first == [3, 10, pytest.approx(0.2)]
    quiet, loud, silent = (page.evaluate(RENDER, {"level": level, "silent": 0}) for level in (3, 99, 0))
    assert loud["hz"] == pytest.approx(233.08, abs=0.01)
    assert loud["later"] <= 0.5  # two tones, each under its own share of the cap
    assert 0 < loud["tick"] <= 0.21
    assert loud["start"] < 0.1 * loud["later"]
    assert quiet["later"] == pytest.approx(loud["later"] * 10 ** (-14 / 20), rel=0.02)
    assert (silent["later"], silent["tick"]) == (0, 0)


HEARD_CLICKS = """async ({ setting, sec }) => {
  const { Clicks } = await import("/core/practice-sounds.js");
  const rate = 16000;
  const context = new OfflineAudioContext(1, sec * rate, rate);
  const clicks = new Clicks(context, setting, 10, () => {});
  clearInterval(clicks.timer); // the clock here is the rendering's own
  for (let at = 0.1; at < sec; at += 0.1) {
    context.suspend(at).then(() => { clicks.fill(); context.resume(); });
  }
  const sound = (await context.startRendering()).getChannelData(0);
  const found = [];
  for (let i = 0, quiet = rate; i < sound.length; i += 1) {
    if (Math.abs(sound[i]) > 1e-3) {
      const peak = () => Math.max(...sound.slice(i, i + 0.03 * rate).map(Math.abs));
      if (quiet > 0.02 * rate) found.push({ sec: i / rate, peak: peak() });
      quiet = 0;
    } else quiet += 1;
  }
  return found;
}"""


def test_clicks_are_heard_at_three_to_the_dotted_beat_and_not_in_silent_bars(page):
    """Dotted quarter = 54 in 6/8: clicks at 162 a minute; of three bars the last is silent. Read from the sound."""
    setting = {"bpm": 54, "beats": 2, "parts": 3, "sounding": 2, "silent": 1}
    heard = page.evaluate(HEARD_CLICKS, {"setting": setting, "sec": 10})
    step = 60 / 162
    first = heard[0]["sec"]
    numbers = [round((click["sec"] - first) / step) for click in heard]
    assert max(abs(click["sec"] - first - n * step) for click, n in zip(heard, numbers, strict=True)) < 0.002
    bar = 6
    assert numbers == [n for n in range(numbers[-1] + 1) if n % (3 * bar) < 2 * bar]
    assert numbers[-1] > 3 * bar  # the clicks came back
    loudness = {n % bar: click["peak"] for click, n in zip(heard, numbers, strict=True)}
    assert loudness[0] > loudness[3] > max(loudness[n] for n in (1, 2, 4, 5))


DRONE_SOUND = """async ({ just }) => {
  const { Drone, droneHz } = await import("/core/practice-sounds.js");
  const rate = 8000;
  const context = new OfflineAudioContext(1, 12 * rate, rate);
  const hz = droneHz(0, 440);
  new Drone(context, { hz, fifth: true, just, level: 10 });
  const sound = (await context.startRendering()).getChannelData(0).slice(2 * rate);
  const power = (at) => {
    let [re, im] = [0, 0];
    sound.forEach((value, i) => {
      const window = 0.5 - 0.5 * Math.cos((2 * Math.PI * i) / sound.length);
      re += window * value * Math.cos((2 * Math.PI * at * i) / rate);
      im += window * value * Math.sin((2 * Math.PI * at * i) / rate);
    });
    return re * re + im * im;
  };
  const loudest = (around) => {
    let best = [0, 0];
    for (let cents = -8; cents <= 8; cents += 0.25) {
      const found = power(around * 2 ** (cents / 1200));
      if (found > best[1]) best = [cents, found];
    }
    return best[0];
  };
  // cents from the tempered place: of the tonic, of the fifth over it
  return [loudest(440 * 2 ** ((48 - 69) / 12)), loudest(440 * 2 ** ((55 - 69) / 12))];
}"""


@pytest.mark.parametrize(("just", "fifth"), [(True, 1.955), (False, 0.0)])
def test_the_drones_fifth_is_just_or_equal_as_asked(page, just, fifth):
    """A just fifth is 1200 log2(3/2) = 701.955 cents; read from the sound's own spectrum."""
    tonic_off, fifth_off = page.evaluate(DRONE_SOUND, {"just": just})
    assert tonic_off == pytest.approx(0.0, abs=0.25)
    assert fifth_off == pytest.approx(fifth, abs=0.3)


def test_a_destroyed_recording_goes_from_the_device_as_well(page):
    left = page.evaluate(
        """async () => {
          const { keepOnlyTakes, keptSound } = await import("/core/kept-page.js");
          window.fetch = async () => new Response(new ArrayBuffer(8));
          for (const id of ["a1", "b2"]) await keptSound("mine", `/api/student/takes/${id}/playback`);
          await keptSound("other", "/api/student/takes/c3/playback");
          await keepOnlyTakes("mine", ["b2"]);
          window.fetch = async () => { throw new TypeError("no network"); };
          const there = async (secret, id) => {
            try { return (await keptSound(secret, `/api/student/takes/${id}/playback`)).size; }
            catch (error) { return error.sentence; }
          };
          return [await there("mine", "a1"), await there("mine", "b2"), await there("other", "c3")];
        }"""
    )
    assert left[1:] == [8, 8]
    assert "this device has not kept this part" in left[0]
