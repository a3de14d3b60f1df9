// The page's voice. Browsers give sound only after a tap; then it calls when heat is stopped or a hand is wanted.
const PRESENCE_SOON_S = 300;
// What stands until somebody has done something is said again, ms.
const AGAIN = { fire: 5000, trip: 20000 };
const TONES = { stop: [880, 620, 880, 620, 880, 620], hand: [740, 740, 740] };
const voice = { audio: null, told: new Set(), said: {} };

export const awake = () => Boolean(voice.audio) && voice.audio.state === "running";

// A tap anywhere is enough; a phone that slept wants another.
export function wake() {
  if (!voice.audio && window.AudioContext) voice.audio = new AudioContext();
  return voice.audio && voice.audio.state !== "running" ? voice.audio.resume().catch(() => {}) : Promise.resolve();
}

export function listen() {
  for (const name of ["pointerup", "click", "keydown"]) document.addEventListener(name, wake);
}

export function ring(kind) {
  const { audio } = voice;
  if (!awake()) return;
  TONES[kind].forEach((pitch, index) => {
    const tone = audio.createOscillator(), gain = audio.createGain(), at = audio.currentTime + 0.45 * index;
    gain.gain.setValueAtTime(0.0001, at);
    gain.gain.exponentialRampToValueAtTime(0.25, at + 0.03);
    gain.gain.exponentialRampToValueAtTime(0.0001, at + 0.35);
    tone.frequency.value = pitch;
    tone.connect(gain).connect(audio.destination);
    tone.start(at);
    tone.stop(at + 0.4);
  });
}

// Why somebody is wanted now, a name each.
export function callsOf({ fire, verdict, prompt, oven, tank, presence_expires_s: presence_s }) {
  const wanted = {
    fire, trip: verdict === "trip", [`asked ${prompt && prompt.id}`]: prompt, [`done ${oven.run_id}`]: oven.phase === "ended",
    "no heat": oven.phase === "withheld" || tank.phase === "withheld", "to be resumed": oven.phase === "ready" && oven.resumable_run_id !== null,
    "oil ready": tank.ready, "oil too hot": tank.phase === "too_hot", presence: presence_s !== null && presence_s <= PRESENCE_SOON_S,
  };
  return Object.keys(wanted).filter((name) => wanted[name]);
}

// Rings for what is new; the first look at a shop rings for nothing that its reader sees anyway.
export function tell(status) {
  const calls = callsOf(status), fresh = calls.filter((name) => !voice.told.has(name)), now = Date.now();
  const again = (name) => calls.includes(name) && now - (voice.said[name] || 0) >= AGAIN[name];
  const first = voice.first === undefined;
  voice.first = false;
  voice.told = new Set(calls);
  const stop = ["fire", "trip"].find((name) => (fresh.includes(name) && !first) || again(name));
  if (stop && awake()) {
    voice.said[stop] = now;
    ring("stop");
  } else if (fresh.length && !first) ring("hand");
}
