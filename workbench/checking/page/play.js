// A button plays its sound, the recording or what is written, from its data-from to its data-to, in seconds.
const LEAD_S = 0.04; // a stroke may come a little before its bar line
const sounds = [...document.querySelectorAll('audio')];
let stop = 0, lit = null;
const light = (button) => { lit?.classList.remove('lit'); lit = button; lit?.classList.add('lit'); };
for (const sound of sounds) {
  sound.addEventListener('timeupdate', () => {
    if (stop && !sound.paused && sound.currentTime >= stop) { sound.pause(); stop = 0; light(null); } });
}
for (const button of document.querySelectorAll('button[data-from]')) {
  button.addEventListener('click', () => {
    const again = lit === button;
    sounds.forEach((sound) => sound.pause());
    light(null); stop = 0;
    if (again) return;
    const sound = document.getElementById(button.dataset.sound);
    sound.currentTime = Math.max(0, Number(button.dataset.from) - LEAD_S);
    stop = Number(button.dataset.to);
    light(button);
    sound.play().catch(() => {}); // pressed again before it began
  });
}
