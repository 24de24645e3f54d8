# R's nls and robustbase's nlrob on the curve of enucleation_curve.py, one fit for each line read:
#   Rscript enucleation_curve.R rows.csv wall    (or cpu)    then "nls", "nlrob M" or "nlrob MM" on standard input
# Answers with milliseconds, the scale, then the parameters (for "nlrob MM" those of the S-estimate follow).
suppressPackageStartupMessages(library(robustbase))
given <- commandArgs(trailingOnly = TRUE)
rows <- read.csv(given[1])
now <- if (given[2] == "cpu") function() sum(proc.time()[1:2]) else function() as.numeric(Sys.time())
curve <- minutes ~ (e_fixed + e_80 * exp(e_exponent * log_v80)) * (1 + e_learn * exp(-log(2) * done / e_half)) *
  exp(trainee_ratio * trainee + surgeon_2_ratio * surgeon_2 + surgeon_3_ratio * surgeon_3)
names <- c("e_fixed", "e_80", "e_exponent", "e_learn", "e_half", "trainee_ratio", "surgeon_2_ratio", "surgeon_3_ratio")
start <- setNames(c(10, 40, 1, 0.5, 20, 0, 0, 0), names)
lower <- setNames(c(0, 1, 0, 0, 1, -1, -1, -1), names)
upper <- setNames(c(100, 200, 3, 5, 200, 1, 1, 1), names)
fits <- list(
  "nls" = function() nls(curve, rows, start = start),
  "nlrob M" = function() nlrob(curve, rows, start = start, method = "M", maxit = 200),
  "nlrob MM" = function() nlrob(curve, rows, lower = lower, upper = upper, method = "MM")
)
set.seed(1)
cat("robustbase", as.character(packageVersion("robustbase")), "R", as.character(getRversion()), "\n")
input <- file("stdin", "r")
while (length(line <- readLines(input, 1)) == 1) {
  begin <- now()
  fit <- tryCatch(fits[[line]](), error = function(e) e)
  took <- 1000 * (now() - begin)
  if (inherits(fit, "error")) {
    cat("failed:", gsub("\n", " ", conditionMessage(fit)), "\n")
  } else {
    scale <- if (is.null(fit$Scale)) sigma(fit) else fit$Scale
    first <- if (is.null(fit$initial)) numeric(0) else fit$initial$par[names]
    cat(format(c(took, scale, coef(fit)[names], first), digits = 15), "\n")
  }
  flush(stdout())
}
