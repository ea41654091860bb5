// A film in the page, or a clip with the mix of the songs that it shows as its sound.
//
// The picture is the clock: the mix begins where it is, and begins anew where it was moved or has come out of step.

import { hand, play, playing, stop } from "./player.js";

const FAR_S = 0.015;
const LOOK_MS = 50;
const LOOKS = 8; // both clocks go in steps, so the mean of some looks counts
const STEADY_MS = 250; // after it begins to move, until the clock of a picture runs evenly
const BEFORE_S = 2; // a song is made ready so long before it begins

export class Picture {
  constructor(video, from) {
    this.video = video;
    this.address = video.dataset.address;
    this.owner = { says: video.getAttribute("aria-label") };
    this.sound = null;
    this.still = 0; // when the picture stood still last
    this.list = [];
    video.addEventListener("play", () => {
      hand(this);
      this.look ||= setInterval(() => this.follow(), LOOK_MS);
    });
    video.addEventListener("pause", () => {
      this.follow();
      if (playing() === this) stop();
    });
    for (const kind of ["playing", "waiting", "seeking", "seeked"]) video.addEventListener(kind, () => this.follow());
    video.addEventListener("error", () => this.cannot());
    video.addEventListener("loadedmetadata", () => { if (!video.videoWidth) this.cannot(); });
    video.src = this.address;
    if (from) video.currentTime = from;
  }

  // Some browsers play the sound of a clip whose picture they cannot decode: that is not what is wanted either.
  cannot() {
    this.broken = true;
    this.video.pause();
    this.showBroken();
  }

  showBroken() {
    if (!this.broken) return;
    const around = this.video.closest("figure");
    for (const part of around.children) part.hidden = !part.matches(".found");
  }

  set scenes(list) {
    this.showBroken();
    if (JSON.stringify(list) === JSON.stringify(this.list)) return;
    this.list = list;
    this.silence();
    this.follow();
  }

  loudness(db) {
    this.video.volume = 10 ** (db / 20);
  }

  from(seconds) {
    this.video.currentTime = Math.max(0, seconds - 1);
    this.video.play().catch(() => {});
  }

  where() {
    return this.video.currentTime;
  }

  // Something else plays, or nothing is to play any more; not where the mix of this very picture begins.
  finish() {
    if (!this.beginning) this.video.pause();
  }

  gone() {
    this.video.pause();
    this.silence();
    clearInterval(this.look);
    if (playing() === this) stop();
  }

  // Where in the mix of which song the picture is; negative where it is about to begin.
  heard() {
    for (const scene of this.list) {
      const at = (this.video.currentTime - scene.begins_s) / scene.rate;
      if (at >= -BEFORE_S && at < scene.mix_s) return [scene, at];
    }
    return [null, 0];
  }

  follow() {
    const { video } = this;
    const [scene, at] = this.heard();
    if (!scene || video.paused || video.seeking || video.readyState < HTMLMediaElement.HAVE_FUTURE_DATA) {
      this.silence();
      if (scene) this.still = performance.now();
      if (video.paused) {
        clearInterval(this.look);
        this.look = null;
      }
      return;
    }
    if (this.sound?.scene !== scene) {
      if (performance.now() - this.still < STEADY_MS) return;
      this.begin(scene, at);
    }
    const heard = this.sound.playing.heard();
    if (heard === null) return;
    this.behind.push(at - heard);
    if (this.behind.length < LOOKS) return;
    const mean = this.behind.reduce((sum, one) => sum + one) / LOOKS;
    this.behind = [];
    if (Math.abs(mean) > FAR_S) this.begin(scene, at);
  }

  begin(scene, at) {
    this.silence();
    const sound = { scene };
    this.sound = sound;
    this.behind = [];
    this.beginning = true;
    play({
      owner: { says: `${scene.title}, ${this.owner.says}` },
      lanes: [{ url: (piece) => scene.sound.replace("?", `/${piece}?`) }],
      from: Math.max(0, at),
      until: scene.mix_s,
      now: () => (this.video.currentTime - scene.begins_s) / scene.rate,
      ended: () => {
        // At the end of a song the picture goes on; whoever stops the sound stops the picture.
        if (this.sound === sound && sound.playing.where() < scene.mix_s) this.video.pause();
      },
    });
    sound.playing = playing();
    this.beginning = false;
  }

  silence() {
    const { sound } = this;
    this.sound = null;
    if (!sound || playing() !== sound.playing) return;
    if (this.video.paused) stop();
    else hand(this);
  }
}
