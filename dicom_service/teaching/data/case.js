// Without scripts all steps are there at once; with them the reader asks for the next one.
const steps = [...document.querySelectorAll('.step')];
const next = document.getElementById('next');
let shown = 1;
const draw = () => {
  steps.forEach((step, i) => { step.hidden = i >= shown; });
  next.hidden = shown >= steps.length;
};
next.addEventListener('click', () => {
  const step = steps[shown];
  shown += 1;
  draw();
  step.tabIndex = -1;
  step.focus({ preventScroll: true });
  step.scrollIntoView({ block: 'start' });
});
draw();
