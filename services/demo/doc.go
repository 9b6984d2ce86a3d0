// Package demo makes the demonstration world: Brindle Range Shire outdoor
// works, an invented shire with five places, seven crews, 210 invented people
// and 36 months of reports, hours, outcomes and codes.
//
// Everything is drawn from a fixed seed by rates that are written down in
// crews.go, so that the truth behind each chart is known, and a test checks
// that the charts find what is there and keep quiet about what is not, whatever
// the date on which the world is made:
//
//   - Mowing: a real improvement. From month 25 deck guards and mesh cabs cut
//     the rate of people hit by thrown objects to a quarter.
//   - Waste: a real worsening. From month 25 a new sorting line trebles the
//     rate of cuts and strains.
//   - Roads: a scary month that is only luck. Month 31 has three lost-time
//     injuries and the rate behind it never changed.
//   - Drainage: a crew that hardly reports. Its injuries are like the others',
//     its hazards and near misses a tenth.
//   - Nursery: a change in habits, not in risk. From month 27 near misses are
//     reported three times as often; injuries stay as they were.
//
// The world is filed through the services like anyone's reports, with the
// clock turned back, so that the demonstration shows the real thing. Nobody
// and nothing in it exists. The package never runs outside the demonstration.
package demo
