// The cues as sound: the same rhythms as beeper and lamp at the wall. 1000 Hz lies within 500 to 2500 Hz, where signals carry over noise (ISO 7731, from memory).
import { rhythms } from "/static/cues.js";

let audio = null, gain = null, until = 0;

export const on = () => audio !== null && audio.state === "running";

// toggle must be called by a tap: browsers let a page sound only after one.
export async function toggle() {
  if (on()) {
    await audio.suspend();
    return;
  }
  if (!audio) {
    audio = new AudioContext();
    const tone = audio.createOscillator();
    tone.frequency.value = 1000;
    gain = audio.createGain();
    gain.gain.value = 0;
    tone.connect(gain).connect(audio.destination);
    tone.start();
  }
  await audio.resume();
  play("slower");
}

export function play(cue) {
  if (!on() || !rhythms[cue]) return;
  let t = Math.max(audio.currentTime + 0.02, until);
  rhythms[cue].forEach((ms, i) => {
    if (i % 2 === 0) {
      gain.gain.setTargetAtTime(0.5, t, 0.004);
      gain.gain.setTargetAtTime(0, t + ms / 1000, 0.008);
    }
    t += ms / 1000;
  });
  until = t + 0.05;
}
