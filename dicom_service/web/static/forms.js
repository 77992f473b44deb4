// @ts-check
/** Dialogs with a form: what the node refuses is said in the form, and what was entered stays. */

/**
 * Ask, and hand over what was entered until it is taken or given up.
 * @param {string} id of the dialog
 * @param {Record<string, any>} values to begin with, by the names of the fields
 * @param {(entered: Record<string, any>, action: string) => Promise<void>} take throws what is to be said
 */
export function fillIn(id, values, take) {
  const dialog = /** @type {HTMLDialogElement} */ (document.getElementById(id));
  const form = /** @type {HTMLFormElement} */ (dialog.querySelector('form'));
  const refused = /** @type {HTMLElement} */ (dialog.querySelector('[role="alert"]'));
  form.reset();
  refused.hidden = true;
  for (const field of fieldsOf(form)) {
    const value = values[field.name];
    if (value === undefined) continue;
    if (field.type === 'checkbox') field.checked = Array.isArray(value) ? value.includes(field.value) : value;
    else field.value = Array.isArray(value) ? value.join(' ') : value;
  }
  form.onsubmit = async event => {
    event.preventDefault();
    const pressed = /** @type {HTMLButtonElement | null} */ (event.submitter);
    if (pressed?.value === 'cancel') return dialog.close();
    if (pressed) pressed.disabled = true;
    try {
      await take(entered(form), pressed?.value ?? 'save');
      dialog.close();
    } catch (error) {
      refused.textContent = error.message;
      refused.hidden = false;
    } finally {
      if (pressed) pressed.disabled = false;
    }
  };
  dialog.showModal();
}

/** @param {HTMLFormElement} form  @returns {any[]} */
function fieldsOf(form) {
  return [...form.elements].filter(field => /** @type {any} */ (field).name);
}

/** Checkboxes of one name are the list of what is checked; a lone one without a value is yes or no. */
function entered(form) {
  /** @type {Record<string, any>} */
  const found = {};
  for (const field of fieldsOf(form)) {
    if (field.type !== 'checkbox') found[field.name] = field.value.trim();
    else if (!field.hasAttribute('value')) found[field.name] = field.checked;
    else found[field.name] = [...(found[field.name] ?? []), ...(field.checked ? [field.value] : [])];
  }
  return found;
}
