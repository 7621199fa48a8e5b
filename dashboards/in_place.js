// A chart of which only the rows change keeps its drawing: to compile it and lay it out anew takes several times as long.
// Panel asks for every change as if it were the first. Kept are charts whose rows have a name, unless a click chooses in them.
if (window.vegaEmbed) {
  const embed = window.vegaEmbed;
  const drawings = new WeakMap();

  // Rows come as text, those of `datasets` in tables of one cell (drawing_pane.py).
  const taken_apart = ({ description, data, datasets, ...rest }) => {
    const { values, ...about } = data ?? {};
    const rows = {};
    for (const [name, table] of Object.entries(datasets ?? {})) rows[name] = table[0].json;
    if (about.name && values) rows[about.name] = values;
    return { rows, description, form: JSON.stringify([Object.keys(rows), about, rest]) };
  };

  const drawn_anew = (place, spec, { rows }, options) => embed(place, spec.datasets ? { ...spec, datasets: rows } : spec, options);

  const refilled = async (before, { rows, description }, place) => {
    const drawn = await before.result;
    const changed = Object.keys(rows).filter((name) => rows[name] !== before.rows[name]);
    for (const name of changed) drawn.view.data(name, JSON.parse(rows[name]));
    await drawn.view.description(description).runAsync();
    // A picture made of what stood here before must not be saved as one of what stands here now.
    for (const link of place.querySelectorAll(".vega-actions a[download]")) link.href = "#";
    return drawn;
  };

  window.vegaEmbed = (place, spec, options) => {
    const given = taken_apart(spec);
    const before = drawings.get(place);
    const result = before?.form === given.form ? refilled(before, given, place) : drawn_anew(place, spec, given, options);
    const can_be_kept = Object.keys(given.rows).length > 0 && !given.form.includes('"params":');
    if (can_be_kept) drawings.set(place, { ...given, result });
    else drawings.delete(place);
    return result;
  };
}
