// Confirmation that needs no look at the screen: a buzz and a tone for each state, one for what was refused.

import { choice } from "./choice.js";

const PULSES = { alive: [35], dead: [35, 60, 35], dead_before: [35, 60, 90], unread: [120], undo: [20, 40, 20, 40, 20], refused: [400] };
const TONES = { alive: [880], dead: [330, 330], dead_before: [330, 220], unread: [550], undo: [660, 440], refused: [180, 180, 180] };
const TONE_S = 0.09;
let speaker = null;

export function feel(what) {
  if (choice.vibrate) navigator.vibrate?.(PULSES[what]);
  if (choice.sound) play(TONES[what]);
}

function play(tones) {
  speaker ??= new AudioContext();
  speaker.resume();
  tones.forEach((pitch, place) => {
    const start = speaker.currentTime + place * 1.5 * TONE_S;
    const tone = new OscillatorNode(speaker, { frequency: pitch, type: "triangle" });
    const loudness = new GainNode(speaker, { gain: 0 });
    loudness.gain.setTargetAtTime(0.35, start, 0.005);
    loudness.gain.setTargetAtTime(0, start + TONE_S, 0.015);
    tone.connect(loudness).connect(speaker.destination);
    tone.start(start);
    tone.stop(start + 2 * TONE_S);
  });
}
