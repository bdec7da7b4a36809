# The same job as a plain R script, to stand beside ours: exports to rows, feet, shares, a curve,
# hazard ratios and casts. Run by scale_beside.py:
#   Rscript scale_beside.R FOLDER CUT_OFF OUT.csv THREADS
# It knows only what the exports of networks.py can hold: one register, five kinds of visits, no
# correction written down, no operation. Windows are those of definitions/protocol.py.

suppressPackageStartupMessages({
  library(data.table)
  library(survival)
  library(geepack)
})
asked <- commandArgs(TRUE)
cut_off <- as.integer(as.IDate(asked[2]))
setDTthreads(as.integer(asked[4]))
FAR <- .Machine$integer.max
told <- list()
tell <- function(name, value) told[[length(told) + 1]] <<- list(name = name, value = as.double(value))
began <- proc.time()[["elapsed"]]
lap <- function(name) {
  now <- proc.time()[["elapsed"]]
  tell(paste0("seconds ", name), now - began)
  began <<- now
}

# --- read and decode -----------------------------------------------------------------------------

files <- sort(list.files(file.path(asked[1], "exports"), "[.]csv$", full.names = TRUE))
wanted <- c("Child no", "Sex", "Date of birth", "Clinic", "Visit date", "Foot", "Visit type",
            "Midfoot", "Hindfoot", "Pirani", "Abduction", "Dorsiflexion", "Relapse")
rows <- rbindlist(lapply(files, fread, select = wanted, colClasses = "character",
                         na.strings = "", quote = "", encoding = "UTF-8"))
setnames(rows, c("child", "sex", "born", "clinic", "day", "side", "type", "midfoot", "hindfoot",
                 "pirani", "abduction", "dorsiflexion", "relapse"))
as_day <- function(texts) {
  seen <- unique(texts)
  as.integer(as.IDate(seen, format = "%Y-%m-%d"))[match(texts, seen)]
}
rows[, `:=`(day = as_day(day), born = as_day(born), type = match(type, c("Assess", "Cast", "Tenot",
            "Fit", "Brace")))]
numbers <- c("midfoot", "hindfoot", "pirani", "abduction", "dorsiflexion")
rows[, (numbers) := lapply(.SD, as.numeric), .SDcols = numbers]
tell("rows read", nrow(rows))
lap("read")

# --- faults: the hard rules that these rows can break, and repeated rows -------------------------

rows[, fault := fcase(is.na(day), "unreadable", day > cut_off, "R02", is.na(side), "R05",
                      pirani > 6 | abs(midfoot + hindfoot - pirani) > 1e-9, "R06", default = "")]
for (rule in c("unreadable", "R02", "R05", "R06")) tell(paste("rows", rule), rows[fault == rule, .N])
people <- unique(rows[!is.na(sex), .(child, sex)], by = "child")
births <- unique(rows[!is.na(born), .(child, born)], by = "child")
sides <- unique(rows[!is.na(side), .(child, side)])[, .N, keyby = child]
visits <- rows[fault == "", .(child, side, day, type, clinic, pirani, abduction, dorsiflexion,
                              relapse)]
rm(rows)
repeated <- duplicated(visits, by = c("child", "side", "day", "type"))
visits <- visits[!repeated]
tell("rows duplicate", sum(repeated))
tell("rows kept", nrow(visits))
setorder(visits, child, side, day, type)
visits[, foot := rleidv(visits, cols = c("child", "side"))]
visits[, at := rleidv(visits, cols = c("foot", "day"))]
lap("clean")

# --- what was done on each day of a foot ---------------------------------------------------------

visits[, `:=`(is_cast = as.integer(type == 2L), is_cut = as.integer(type == 3L),
              is_fit = as.integer(type == 4L), is_noted = as.integer(relapse %in% "Y"),
              is_good = as.integer((abduction >= 50 & dorsiflexion >= 15) %in% TRUE |
                                     (pirani <= 1) %in% TRUE))]
days <- visits[, .(foot = first(foot), day = first(day), cast = max(is_cast), cut = max(is_cut),
                   fit = max(is_fit), noted = max(is_noted), good = max(is_good)), by = at]
scores <- unique(visits[!is.na(pirani), .(foot, day, pirani)], by = c("foot", "day"))
feet <- visits[, .(child = first(child), first_clinic = first(clinic)), keyby = foot]
feet[days[, .(seen = max(day)), by = foot], last_seen := i.seen, on = "foot"]

# --- correction: from one day of treatment to the next -------------------------------------------

days[, treated := cast + cut > 0]
days[, place := cumsum(treated) - cumsum(treated)[1] + treated[1], by = foot]
course <- days[place > 0]
course[, id := rleidv(course, cols = c("foot", "place"))]
part <- course[, .(foot = first(foot), begun = first(day), cast = first(cast), cut = first(cut)),
               by = id]
part[, until := shift(begun, -1L), by = foot]
part[is.na(until), until := cut_off]
part[, last_cut := nafill(fifelse(cut == 1L, begun, NA_integer_), "locf"), by = foot]
part[, healing := !is.na(last_cut) & begun - last_cut <= 56L]
first_where <- function(where) {
  found <- rep(FAR, nrow(part))
  early <- course[where, .(day = min(day)), by = id]
  found[early$id] <- early$day
  found
}
brace <- first_where(course$fit == 1L)
held <- part$begun + fifelse(part$healing, 14L, 1L)
off <- pmin(first_where(course$day >= held[course$id]), brace)
held <- fifelse(part$healing, off, part$begun)
good <- first_where(course$good == 1L & course$day > part$begun[course$id] &
                      course$day >= held[course$id])
stands <- good <= brace & good < FAR & (brace < FAR | part$until - good > 28L)
part[, corrected := fifelse(stands, good, brace)]

# --- series of casts -----------------------------------------------------------------------------

part[, ends := corrected < FAR | until - begun > 56L]
part[, run := cumsum(shift(ends, fill = TRUE)), by = foot]
part[, run_of_cast := nafill(fifelse(cast == 1L, run, NA_integer_), "locf"), by = foot]
part[, next_cast := nafill(fifelse(cast == 1L, begun, NA_integer_), "nocb"), by = foot]
part[, counts := cast == 1L | (cut == 1L & (run_of_cast == run) %in% TRUE &
                                 !((next_cast - begun < 3L) %in% TRUE))]
casts <- part[counts == TRUE, .(foot, day = begun, run)]
casts[, series := cumsum(run != shift(run, fill = run[1])), by = foot]
one_of <- function(some) {
  found <- rep(FAR, nrow(feet))
  if (!nrow(some)) return(found)
  early <- some[, .(day = min(day)), by = foot]
  found[early$foot] <- early$day
  found
}
feet[, started := one_of(casts[series == 0L])]
feet[, resumed := one_of(casts[series > 0L])]
ended <- part[corrected < FAR & begun >= feet$started[foot], .(foot, corrected)]
ended <- unique(ended, by = "foot")
feet[, corrected := FAR]
feet[ended, corrected := i.corrected, on = "foot"]
cuts <- days[cut == 1L, .(foot, day)]
feet[, tenotomy := one_of(cuts[day <= feet$corrected[foot]])]
casts[, is_after := day >= feet$tenotomy[foot] & day <= feet$corrected[foot]]
feet[, n_casts := 0L]
feet[casts[series == 0L & !is_after, .N, by = foot], n_casts := i.N, on = "foot"]

# --- relapse, score at the start, child ----------------------------------------------------------

late_cut <- cuts[day > feet$corrected[foot]]
late_cut <- late_cut[feet$tenotomy[foot] == FAR | day - feet$tenotomy[foot] >= 21L]
feet[, relapse := pmin(one_of(days[noted == 1L & day > feet$corrected[foot], .(foot, day)]),
                       one_of(casts[day > feet$corrected[foot], .(foot, day)]), one_of(late_cut))]
at_start <- unique(scores[day <= feet$started[foot] & feet$started[foot] < FAR], by = "foot",
                   fromLast = TRUE)
feet[at_start, pirani_start := i.pirani, on = "foot"]
feet[, clinic := first_clinic]
begun_at <- visits[type == 2L & day == feet$started[foot], .(foot, clinic)]
feet[unique(begun_at, by = "foot"), clinic := i.clinic, on = "foot"]
feet[people, sex := i.sex, on = "child"]
feet[births, born := i.born, on = "child"]
feet[sides, n_sides := i.N, on = "child"]
feet[, `:=`(is_started = started < FAR, is_corrected = corrected < resumed & corrected < FAR,
            age_days = fifelse(started < FAR, started - born, NA_integer_))]
tell("feet", nrow(feet))
tell("children", uniqueN(feet$child))
lap("feet")

# --- shares --------------------------------------------------------------------------------------

share <- function(code, yes, no) {
  tell(paste(code, "yes"), yes)
  tell(paste(code, "no"), no)
}
begun <- feet[is_started == TRUE]
of_child <- begun[, .(boy = first(sex) == "M", both = first(n_sides) == 2L,
                      early = any(age_days <= 42L)), by = child]
share("boys", of_child[boy == TRUE, .N], of_child[boy == FALSE, .N])
share("both_feet", of_child[both == TRUE, .N], of_child[both == FALSE, .N])
share("early_start_6w", of_child[early == TRUE, .N], of_child[early == FALSE, .N])
share("severe_at_start", begun[pirani_start >= 4.5, .N], begun[pirani_start < 4.5, .N])
ripe <- begun[started <= cut_off - 183L]
share("initial_correction", ripe[is_corrected == TRUE, .N], ripe[is_corrected == FALSE, .N])
done <- begun[is_corrected == TRUE]
share("tenotomy_rate", done[tenotomy < FAR, .N], done[tenotomy == FAR, .N])
share("many_casts", done[n_casts > 8L, .N], done[n_casts <= 8L, .N])
tell("casts", done[, sum(n_casts)])
lap("shares")

# --- time to relapse, its hazard, casts ----------------------------------------------------------

free <- feet[corrected < FAR]
free[, `:=`(event = as.integer(relapse < FAR),
            time = fifelse(relapse < FAR, relapse, last_seen) - corrected)]
free <- free[time > 0L]
free[, number := match(child, unique(child))]
tell("feet followed", nrow(free))
tell("relapses", free[, sum(event)])
curve <- summary(survfit(Surv(time, event) ~ 1, data = free, cluster = number),
                 times = c(365, 730))
for (i in seq_along(curve$time)) {
  tell(paste("free of relapse", curve$time[i]), curve$surv[i])
  tell(paste("free of relapse error", curve$time[i]), curve$std.err[i])
}
lap("curve")
free[, `:=`(age_months = age_days / 30.4375, boy = as.integer(sex == "M"))]
known <- free[!is.na(pirani_start) & !is.na(age_months) & !is.na(boy)]
tell("feet in Cox", nrow(known))
fit <- coxph(Surv(time, event) ~ pirani_start + age_months + boy + strata(clinic), data = known,
             cluster = number, ties = "breslow", control = coxph.control(eps = 1e-12, toler.chol = 1e-14))
terms <- c("pirani_start", "age_months", "boy")
for (i in seq_along(terms)) {
  tell(paste("log hazard", terms[i]), coef(fit)[i])
  tell(paste("log hazard error", terms[i]), sqrt(vcov(fit)[i, i]))
}
lap("cox")
done[, `:=`(age_months = age_days / 30.4375, boy = as.integer(sex == "M"))]
known <- done[!is.na(pirani_start) & !is.na(age_months) & !is.na(boy)]
known[, number := match(child, unique(child))]
setorder(known, number)
tell("feet in casts", nrow(known))
fit <- geeglm(n_casts ~ pirani_start + age_months + boy, family = poisson, id = number,
              data = known, corstr = "independence", control = geese.control(epsilon = 1e-12))
terms <- c("constant", terms)
for (i in seq_along(terms)) {
  tell(paste("log casts", terms[i]), coef(fit)[i])
  tell(paste("log casts error", terms[i]), sqrt(vcov(fit)[i, i]))
}
lap("casts")
fwrite(rbindlist(told), asked[3])
