// Plays from a button's data-from to its data-to, in seconds.
const audio = document.querySelector('audio'); let stop = 0;
audio.addEventListener('timeupdate', () => {
  if (stop && audio.currentTime >= stop) { audio.pause(); stop = 0; } });
document.querySelectorAll('button[data-from]').forEach(b => b.addEventListener('click', () => {
  audio.currentTime = Number(b.dataset.from); stop = Number(b.dataset.to); audio.play(); }));
