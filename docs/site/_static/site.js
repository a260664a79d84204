// The buttons that unfold a part of the contents say which part.
document.addEventListener('DOMContentLoaded', () => {
  for (const summary of document.querySelectorAll('summary:has(.toctree-toggle)')) {
    const link = summary.closest('li')?.querySelector('a');
    summary.setAttribute('aria-label', `Pages below ${link?.textContent ?? ''}`);
  }
});

// A table of pandas begins with an empty cell, which heads no column.
document.addEventListener('DOMContentLoaded', () => {
  for (const cell of document.querySelectorAll('table.dataframe thead th:empty')) {
    cell.replaceWith(document.createElement('td'));
  }
});
