// Package harm works out what one person's harm amounts to: the outcome class
// in which the case stands, and the days lost by the convention that is asked
// for. It is pure: the same harm, day and convention give the same answer, and
// nothing is looked up.
//
// Filing uses [Outcome] to store the class; figures use [Count] and [LostDays],
// which state whether days were estimated, whether the person is still away,
// and whether a cap was reached. Conventions charge days differently on
// purpose; figures of different conventions are never to be mixed.
//
// Days are calendar days in the workplace's time zone, [Day]. The day of the
// event never counts, in no convention. The package never decides whether a
// case must be notified.
package harm
