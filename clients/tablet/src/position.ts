// Where this tablet is, when somebody asks for it; never by itself.
export interface Position {
  lat: string;
  lon: string;
  m: number;
}

export function whereNow(): Promise<Position | undefined> {
  return new Promise((done) => {
    if (!navigator.geolocation) return done(undefined);
    navigator.geolocation.getCurrentPosition(
      (p) => done({ lat: p.coords.latitude.toFixed(5), lon: p.coords.longitude.toFixed(5), m: Math.round(p.coords.accuracy) }),
      () => done(undefined),
      { enableHighAccuracy: true, timeout: 30_000, maximumAge: 60_000 },
    );
  });
}
