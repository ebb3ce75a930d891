"use strict";
(() => {
  const clips = [...document.querySelectorAll("audio")];
  const warned = [...document.querySelectorAll(".item.warned")];
  let clip = -1;
  let flagged = -1;
  const hush = (but) => { for (const other of clips) if (other !== but) other.pause(); };
  document.addEventListener("play", (event) => {
    if (event.target.paused) return; // told late: another clip was begun since
    hush(event.target);
    clip = clips.indexOf(event.target);
  }, true);
  const play = (next) => {
    if (next < 0 || next >= clips.length) return;
    clip = next;
    clips[clip].closest(".block").scrollIntoView({ block: "center" });
    clips[clip].focus({ preventScroll: true });
    clips[clip].currentTime = 0;
    hush(clips[clip]);
    clips[clip].play().catch(() => {});
  };
  const toggle = () => {
    if (clip < 0) return play(0);
    if (clips[clip].paused) clips[clip].play(); else clips[clip].pause();
  };
  const flag = () => {
    if (!warned.length) return;
    flagged = (flagged + 1) % warned.length;
    const block = warned[flagged].closest(".block");
    block.scrollIntoView({ block: "center" });
    const own = block.querySelector("audio");
    if (own) { clip = clips.indexOf(own); own.focus({ preventScroll: true }); }
  };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const todo = { n: () => play(clip + 1), b: () => play(clip - 1), p: toggle, w: flag }[event.key];
    if (todo) { event.preventDefault(); todo(); }
  });
  const keys = document.getElementById("keys");
  if (keys && clips.length) keys.hidden = false;
})();
