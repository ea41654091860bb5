// A film in the page, or a clip with the mix of the songs that it shows as its sound.
//
// The picture is the clock, and the mix follows it: by a jump where it is far off, by its speed where it is near.

import { sayAt } from "./asking.js";
import { hand, playing, stop } from "./player.js";

const FAR_S = 0.08;
const CLOSE_S = 0.03; // a beginning further off is made once more
const NEAR_S = 0.005;
const BEFORE_S = 2; // a song is made ready so long before it begins
const LOOK_MS = 50;
const MOST_FASTER = 0.02; // a third of a semitone
const STARTS_MS = 200; // after its beginning, until it sounds
const SETTLES_MS = 400; // and until its place says how long that took
let takes = 0.07; // seconds from play() to the sound, as measured at the last beginnings

export class Picture {
  constructor(video, from) {
    this.video = video;
    this.address = video.dataset.address;
    this.owner = { says: video.getAttribute("aria-label") };
    this.mix = null;
    this.silence();
    this.list = [];
    this.ahead = 0.12; // how long it takes to find a place of the mix
    video.addEventListener("play", () => {
      hand(this);
      this.look ||= setInterval(() => this.follow(), LOOK_MS);
    });
    video.addEventListener("pause", () => {
      if (playing() === this) stop();
      this.follow();
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
    this.db = db;
    for (const one of [this.video, this.mix]) if (one) one.volume = 10 ** (db / 20);
  }

  from(seconds) {
    this.video.currentTime = Math.max(0, seconds - 1);
    this.video.play().catch(() => {});
  }

  where() {
    return this.video.currentTime;
  }

  finish() {
    this.video.pause();
  }

  gone() {
    this.video.pause();
    this.silence();
    clearInterval(this.look);
    if (playing() === this) stop();
  }

  silence() {
    this.mix?.pause();
    clearTimeout(this.soon);
    [this.soon, this.aimed, this.began, this.again] = [0, false, 0, true];
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
      if (video.paused) {
        clearInterval(this.look);
        this.look = null;
      }
      return;
    }
    const mix = this.open(scene.sound);
    if (mix.readyState < HTMLMediaElement.HAVE_METADATA || mix.seeking) return;
    const behind = at - mix.currentTime;
    if (mix.paused) this.begin(at, behind);
    else this.keep(at, behind);
  }

  // The mix waits at a place a little ahead, and begins when the picture comes there.
  aim(at) {
    this.mix.pause();
    this.mix.currentTime = Math.max(0, at + this.ahead);
    this.aimed = true;
  }

  begin(at, behind) {
    if (this.soon) return;
    const early = -behind - takes;
    if (!this.aimed || early < -CLOSE_S) {
      if (this.aimed) this.ahead = Math.min(1.5 * this.ahead, 1);
      this.aim(at);
      return;
    }
    this.soon = setTimeout(() => {
      [this.soon, this.aimed, this.began, this.off] = [0, false, performance.now(), null];
      this.mix.play().catch(() => {});
    }, 1000 * Math.max(0, early));
  }

  keep(at, behind) {
    let far = FAR_S;
    if (this.began) {
      const since_ms = performance.now() - this.began;
      if (since_ms < STARTS_MS) return;
      this.mean(behind);
      if (since_ms < SETTLES_MS) return;
      this.began = 0;
      takes = Math.min(Math.max(takes + this.off / 2, 0), 0.5);
      if (this.again) far = CLOSE_S;
      this.again = false;
    } else {
      this.mean(behind);
    }
    if (Math.abs(this.off) > far) {
      this.aim(at);
      return;
    }
    const faster = Math.abs(this.off) < NEAR_S ? 0 : Math.min(Math.max(this.off, -MOST_FASTER), MOST_FASTER);
    this.mix.playbackRate = this.video.playbackRate * (1 + faster);
  }

  // Some browsers tell the time in steps as long as a picture.
  mean(behind) {
    this.off = this.off === null ? behind : this.off + (behind - this.off) / 4;
  }

  open(sound) {
    if (!this.mix) {
      this.mix = new Audio();
      this.mix.preservesPitch = false;
      this.loudness(this.db);
      this.mix.addEventListener("error", () => sayAt(this.video, "This browser cannot play the mix.", true));
      for (const kind of ["loadedmetadata", "seeked"]) this.mix.addEventListener(kind, () => this.follow());
    }
    if (this.mix.dataset.sound !== sound) {
      this.mix.dataset.sound = sound;
      this.mix.src = sound;
    }
    return this.mix;
  }
}
