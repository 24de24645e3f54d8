#pragma once
#include <stdexcept>
#include <string>
#include <utility>
#include <vector>

namespace lobetime {

/// Root of everything this library throws on purpose.
class Error : public std::runtime_error {
public:
    using std::runtime_error::runtime_error;
};

/// An argument is outside what the function accepts; the message names it and says what is allowed.
class InvalidArgument : public Error {
public:
    using Error::Error;
};

/// The data cannot tell these parameters apart (rank deficiency). No estimate is returned: a number from
/// such a fit would look surer than it is.
class NotIdentifiable : public Error {
public:
    NotIdentifiable(const std::string& message, std::vector<std::string> parameters)
        : Error(message), parameters_(std::move(parameters)) {}
    const std::vector<std::string>& parameters() const { return parameters_; }

private:
    std::vector<std::string> parameters_;
};

/// A value, residual or derivative is NaN or infinite; the message names where.
class NotFinite : public Error {
public:
    using Error::Error;
};

/// The solver stopped before its criteria were met.
class NotConverged : public Error {
public:
    using Error::Error;
};

/// A model file is damaged, of an unknown version, or holds numbers that cannot be.
class InvalidModelFile : public Error {
public:
    using Error::Error;
};

}  // namespace lobetime
