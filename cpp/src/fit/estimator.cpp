#include <lobetime/core/errors.hpp>
#include <lobetime/fit/estimator.hpp>

#include <string>

namespace lobetime {

Estimator estimator_from_name(std::string_view name) {
    for (const Estimator one : {Estimator::m, Estimator::s, Estimator::mm}) {
        if (estimator_name(one) == name) return one;
    }
    throw InvalidArgument("estimator '" + std::string(name) + "' is not known; allowed: m, s, mm");
}

std::string_view estimator_name(Estimator estimator) {
    switch (estimator) {
        case Estimator::m:
            return "m";
        case Estimator::s:
            return "s";
        case Estimator::mm:
            return "mm";
    }
    return "unknown";
}

}  // namespace lobetime
