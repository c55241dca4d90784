// What the reader has set; kept in the store.

export const choice = { language: null, buds: 2, every: false, sound: false, vibrate: true, reader: "" };
