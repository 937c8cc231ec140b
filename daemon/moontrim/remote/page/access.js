// Account and password of this phone: from a QR code, or stored.

/** @typedef {{ account: string, password: string }} Access */

const KEPT = "moontrim-access";

// #p=password, or #u=viewer&p=password: from a QR code. Never sent to a server; removed from the
// address bar.
/** @returns {Access | null} */
export function fromFragment() {
  const fragment = new URLSearchParams(location.hash.slice(1));
  const password = fragment.get("p");
  if (password === null) return null;
  history.replaceState(null, "", location.pathname + location.search);
  return { account: fragment.get("u") === "viewer" ? "viewer" : "phone", password };
}

/** @returns {Access | null} */
export function stored() {
  for (const place of /** @type {const} */ (["sessionStorage", "localStorage"])) {
    try {
      const access = JSON.parse(window[place].getItem(KEPT) ?? "null");
      if (access?.account) return access;
    } catch {
      // no storage, or not readable
    }
  }
  return null;
}

/**
 * @param {Access | null} access
 * @param {boolean} onPhone
 */
export function keep(access, onPhone) {
  for (const [place, wanted] of /** @type {const} */ ([["sessionStorage", true], ["localStorage", onPhone]])) {
    try {
      if (access && wanted) window[place].setItem(KEPT, JSON.stringify(access));
      else window[place].removeItem(KEPT);
    } catch {
      // private browsing: the password has to be typed again
    }
  }
}

/** @returns {boolean} */
export function keptOnPhone() {
  try {
    return window.localStorage.getItem(KEPT) !== null;
  } catch {
    return false;
  }
}
