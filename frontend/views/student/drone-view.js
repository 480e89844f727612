/** A drone on the tonic, alone or with its fifth. */

import { Drone, droneHz } from "../../core/practice-sounds.js";
import { Check, Choice, Deed, html, useEffect, useRef, useState } from "../parts.js";

const WRITTEN = ["C", "D♭", "D", "E♭", "E", "F", "F♯", "G", "A♭", "A", "B♭", "B"];

/** @param {{settings: any, a4Hz: number, transposition: number, level: number, sound: () => AudioContext, quiet: {current: Set<() => void>}}} props */
export function DroneView({ settings, a4Hz, transposition, level, sound, quiet }) {
  const [semitone, setSemitone] = useState(String(settings.tonic_semitone));
  const [fifth, setFifth] = useState(false);
  const [tuning, setTuning] = useState("just");
  const [on, setOn] = useState(false);
  const drone = useRef(/** @type {Drone | null} */ (null));
  const setting = { hz: droneHz(Number(semitone), a4Hz), fifth, just: tuning === "just", level };
  const stop = () => {
    drone.current?.stop();
    drone.current = null;
    setOn(false);
  };
  const toggle = () => {
    if (drone.current) {
      stop();
      return;
    }
    drone.current = new Drone(sound(), setting);
    setOn(true);
  };
  useEffect(() => drone.current?.set(setting), [semitone, fifth, tuning, level]);
  useEffect(() => {
    quiet.current.add(stop);
    return () => {
      quiet.current.delete(stop);
      drone.current?.stop();
    };
  }, []);
  const name = (/** @type {number} */ sounding) => {
    const written = WRITTEN[(((sounding - transposition) % 12) + 12) % 12];
    if (sounding === settings.tonic_semitone && settings.tonic_name) return `your ${settings.tonic_name}: the tonic`;
    return transposition % 12 ? `your ${written} (concert ${WRITTEN[sounding]})` : written;
  };
  const options = WRITTEN.map((_, sounding) => ({ key: String(sounding), name: name(sounding) }));
  return html`<section>
    <h3>Drone</h3>
    ${settings.tonic_name
      ? html`<p class="soft">The tonic of this piece is your ${settings.tonic_name}${transposition % 12 ? `, concert ${settings.tonic_sounding}` : ""}${settings.tonic_guessed ? " (read from the key signature)" : ""}.</p>`
      : null}
    <div class="row start">
      <${Choice} label="On" value=${semitone} onValue=${setSemitone} options=${options} />
      <${Choice} label="Fifth tuned" value=${tuning} onValue=${setTuning} options=${[{ key: "just", name: "just" }, { key: "equal", name: "equal" }]} hint="Just: no beating. Equal: as a tuner shows it, 2 cents narrower." />
    </div>
    <${Check} label="With its fifth" checked=${fifth} onValue=${setFifth} />
    <div class="deeds"><${Deed} kind=${on ? "" : "deed"} onClick=${toggle}>${on ? "Stop the drone" : "Start the drone"}<//></div>
  </section>`;
}
