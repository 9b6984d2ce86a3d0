// Put in when the bundle is made.
declare const __VERSION__: string;
