// Small helps of the page for integrators. Everything works without them.
'use strict';

// Copying a source text.
document.addEventListener('click', async ({ target }) => {
  const button = target.closest('[data-copy]');
  if (!button) return;
  await navigator.clipboard.writeText(document.getElementById(button.dataset.copy).textContent);
  const before = button.innerHTML;
  button.textContent = button.dataset.done;
  setTimeout(() => { button.innerHTML = before; }, 2000);
});

// Counting the breaths of one minute: a press for each, the sum goes into the field.
function counting(place) {
  const [start, breath] = place.querySelectorAll('button');
  const [output, left] = [place.querySelector('output'), place.querySelector('span[data-left]')];
  const code = place.dataset.counter;
  let breaths = 0;
  let clock;
  const end = () => {
    clearInterval(clock);
    breath.disabled = true;
    left.textContent = '';
    output.textContent = place.dataset.done.replace('{n}', breaths);
    const first = document.getElementById(`f-${code}`);
    (first.value ? document.getElementById(`f-${code}.again`) : first).value = breaths;
  };
  start.addEventListener('click', () => {
    const begun = performance.now();
    clearInterval(clock);
    breaths = 0;
    output.textContent = '';
    breath.disabled = false;
    breath.focus();
    clock = setInterval(() => {
      const seconds = Math.ceil(60 - (performance.now() - begun) / 1000);
      left.textContent = `${place.dataset.left.replace('{n}', Math.max(seconds, 0))} · ${breaths}`;
      if (seconds <= 0) end();
    }, 200);
  });
  breath.addEventListener('click', () => { breaths += 1; });
}

function help(part) {
  if (navigator.clipboard) part.querySelectorAll('[data-copy]').forEach((each) => { each.hidden = false; });
  part.querySelectorAll('[data-counter]').forEach((each) => {
    each.hidden = false;
    counting(each);
  });
}

help(document);
// After htmx has exchanged the part, go on reading at the answer.
document.body.addEventListener('htmx:afterSettle', () => {
  help(document.getElementById('work'));
  const answer = document.getElementById('answer');
  answer.focus({ preventScroll: true });
  answer.scrollIntoView();
});
